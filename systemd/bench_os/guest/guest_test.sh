#!/bin/sh
# Runs in the emulated machine once at each boot: at the first one it installs the project by its
# script, then the scenes.
set -u

bench=/opt/bench
boot=$(cat /var/lib/bench/boot)

report() { printf '%s\n' "$1" >/dev/hvc0; }

install_once() {
    began=$(cut -d ' ' -f 1 /proc/uptime)
    # No network in the guest: what the project needs was fetched when the image was made.
    "$bench/project/systemd/install.sh" --bundle "$bench"/bundle/* \
        >/var/lib/bench/install.log 2>&1
    status=$?
    while read -r line; do printf 'install.sh: %s\n' "$line"; done </var/lib/bench/install.log
    ended=$(cut -d ' ' -f 1 /proc/uptime)
    report "{\"kind\": \"installed\", \"boot\": $boot, \"at_s\": $ended, \
\"status\": $status, \"began_s\": $began}"
    [ "$status" = 0 ] || return 1
    # The one deviation from an installed bench: the simulated bus has another major number.
    mkdir -p /etc/systemd/system/biteclock.service.d
    printf '[Unit]\nAfter=bench-sensor.service\n[Service]\nDeviceAllow=/dev/i2c-1 rw\n' \
        >/etc/systemd/system/biteclock.service.d/bench.conf
    systemctl daemon-reload
}

if [ "$boot" = 1 ]; then
    if install_once; then
        systemctl reboot
    else
        report '{"kind": "failed", "what": "install.sh"}' && systemctl poweroff
    fi
else
    PYTHONPATH=$bench /opt/biteclock/venv/bin/python "$bench/scenes.py" || {
        systemctl --no-pager status biteclock bench-sensor
        journalctl --no-pager -b -o short-monotonic -n 60 -u biteclock -u bench-sensor
        report '{"kind": "failed", "what": "scenes.py, see the console"}'
        systemctl poweroff
    }
fi
