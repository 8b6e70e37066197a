#!/bin/sh
# Install biteclock from this checkout on Raspberry Pi OS or Debian (bookworm, trixie), update it, or take it off again.
# Run it again as often as you like: it changes only what differs. See systemd/README.md.
set -eu

usage() {
    cat <<'EOF'
Usage: sudo systemd/install.sh [--pin GPIOnn] [--no-apt] [--dry-run] [--prefix ROOT]
       sudo systemd/install.sh --uninstall [--dry-run] [--prefix ROOT]

  --pin GPIOnn   the relay's pin for a new bench, GPIO17 if not given. An installed bench has it in
                 /etc/biteclock/biteclock.toml, relay_pin: change it there and run this again.
  --no-apt       leave the system's packages alone
  --dry-run      print what would be done and do nothing
  --prefix ROOT  put every file below the directory ROOT and touch nothing of the running system
  --uninstall    take everything off but the configuration and the records
EOF
}

say() { printf '%s\n' "$*"; }
die() {
    printf 'install.sh: %s\n' "$*" >&2
    exit 1
}
usage_error() {
    printf 'install.sh: %s\n\n' "$*" >&2
    usage >&2
    exit 2
}

PIN_GIVEN=''
ROOT=''
APT=yes
DRY_RUN=no
UNINSTALL=no
while [ $# -gt 0 ]; do
    case $1 in
    --pin | --prefix)
        [ $# -ge 2 ] || usage_error "$1 needs a value"
        if [ "$1" = --pin ]; then PIN_GIVEN=$2; else ROOT=${2%/}; fi
        shift
        ;;
    --no-apt) APT=no ;;
    --dry-run) DRY_RUN=yes ;;
    --uninstall) UNINSTALL=yes ;;
    -h | --help)
        usage
        exit 0
        ;;
    *) usage_error "unknown option $1" ;;
    esac
    shift
done
if [ -n "$ROOT" ]; then
    case $ROOT in /*) ;; *) ROOT=$(pwd -P)/$ROOT ;; esac
fi

SOURCE=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd -P)
VENV=$ROOT/opt/biteclock/venv
CONFIG=$ROOT/etc/biteclock/biteclock.toml
UNIT=$ROOT/etc/systemd/system/biteclock.service
MODULES=$ROOT/etc/modules-load.d/biteclock.conf
RULES=$ROOT/etc/udev/rules.d/60-biteclock.rules
LINKS=$ROOT/usr/local/bin
BOOT_CHANGED=no
STOPPED=no
SCRATCH=$(mktemp -d)

at_exit() {
    status=$?
    rm -rf "$SCRATCH"
    if [ "$status" != 0 ] && [ "$STOPPED" = yes ]; then
        printf 'install.sh: stopped half way. The service is off, and with it the relay; run this again when the cause is gone.\n' >&2
    fi
}
trap at_exit EXIT

# --- small tools -----------------------------------------------------------------------------------------------------

run() {
    if [ "$DRY_RUN" = yes ]; then say "+ $*"; else "$@"; fi
}

on_system() { # what concerns the running system and not a file: never below a prefix
    if [ -n "$ROOT" ]; then say "not below a prefix: $*"; else run "$@"; fi
}

manager() { # the service manager, where there is one: not in a chroot that builds an image
    if [ -d /run/systemd/system ] || [ -n "$ROOT" ] || [ "$DRY_RUN" = yes ]; then
        on_system systemctl "$@"
    else
        say "systemd does not run here, left out: systemctl $*"
    fi
}

put() { # put FROM TO MODE: copy the file if it differs; CHANGED tells
    CHANGED=no
    if [ -f "$2" ] && cmp -s "$1" "$2"; then return 0; fi
    CHANGED=yes
    run mkdir -p "$(dirname "$2")"
    run cp "$1" "$2.new"
    run chmod "$3" "$2.new"
    run mv -f "$2.new" "$2"
    say "wrote $2"
}

config_value() { # config_value KEY: its value in the installed configuration, nothing when it is not set there
    if [ -f "$CONFIG" ]; then
        sed -n "s/^[[:space:]]*$1[[:space:]]*=[[:space:]]*[\"']\{0,1\}\([A-Za-z0-9_.-]*\).*/\1/p" "$CONFIG" | head -n 1
    fi
}

# --- checks ----------------------------------------------------------------------------------------------------------

check_machine() {
    if [ -n "$ROOT" ] || [ "$DRY_RUN" = yes ]; then return 0; fi
    [ "$(id -u)" = 0 ] || die "this needs root: sudo $0"
    [ -e /etc/debian_version ] || die "this is neither Raspberry Pi OS nor Debian: install by hand as systemd/README.md lists"
    [ "$UNINSTALL" = no ] || return 0
    case $(dpkg --print-architecture) in
    arm64) ;;
    armhf)
        [ "$(uname -m)" != armv6l ] || die "a Pi Zero or Pi 1 (armv6) has no packages of lgpio: use a Pi Zero 2 W or newer"
        say "note: 32-bit system; the dependencies were only proved to install on 64-bit ones"
        ;;
    *) die "this machine is $(dpkg --print-architecture), not a Raspberry Pi (arm64, armhf): try 'make demo' on it" ;;
    esac
}

check_python() {
    python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))' ||
        die "python3 is $(python3 --version 2>&1), 3.11 or newer is needed: use Raspberry Pi OS bookworm or newer"
}

choose_pin() { # the configuration of an installed bench rules; --pin serves a new one
    PIN=${PIN_GIVEN:-GPIO17}
    if [ -f "$CONFIG" ]; then
        configured=$(config_value relay_pin)
        configured=${configured:-GPIO17}
        [ -z "$PIN_GIVEN" ] || [ "$PIN_GIVEN" = "$configured" ] ||
            die "--pin $PIN_GIVEN, but relay_pin in $CONFIG is $configured: change it there, then run this without --pin"
        PIN=$configured
    fi
    case $PIN in
    GPIO9 | GPIO1[0-36-9] | GPIO2[0-7]) ;;
    GPIO[0-8]) die "$PIN starts with a pull-up and would close the relay at power-up: take one of GPIO9 to GPIO27" ;;
    GPIO14 | GPIO15) die "$PIN is the serial console, which drives it at boot: take another of GPIO9 to GPIO27" ;;
    *) die "$PIN is no pin: give one of GPIO9 to GPIO27" ;;
    esac
}

refuse_during_a_run() {
    if [ -n "$ROOT" ] || ! systemctl is-active --quiet biteclock 2>/dev/null; then return 0; fi
    port=$(config_value port)
    state=$(python3 -c 'import json, sys, urllib.request
print(json.load(urllib.request.urlopen(f"http://127.0.0.1:{sys.argv[1]}/api/status", timeout=3))["state"])' \
        "${port:-8420}" 2>/dev/null) || state=unknown
    case $state in
    checking | running | paused) die "a run is $state: let it finish or stop it, then run this again" ;;
    esac
}

# --- steps -----------------------------------------------------------------------------------------------------------

install_packages() {
    [ "$APT" = yes ] || return 0
    # venv: the daemon's own Python; i2c-tools, gpiod: i2cdetect and gpioinfo for the bench acceptance list.
    on_system apt-get update
    on_system env DEBIAN_FRONTEND=noninteractive apt-get install -y --no-install-recommends \
        python3 python3-venv ca-certificates i2c-tools gpiod
}

make_user() {
    for group in gpio i2c; do
        if [ -n "$ROOT" ] || ! getent group "$group" >/dev/null; then on_system groupadd --system "$group"; fi
    done
    if [ -n "$ROOT" ] || ! getent passwd biteclock >/dev/null; then
        on_system useradd --system --user-group --home-dir /var/lib/biteclock --no-create-home \
            --shell /usr/sbin/nologin biteclock
    fi
    on_system usermod --append --groups gpio,i2c biteclock
}

build_venv() {
    # From a copy: building leaves traces in the directory it builds from, and here they would belong to root.
    mkdir "$SCRATCH/source"
    for part in pyproject.toml README.md LICENSE controller hardware api; do
        cp -R "$SOURCE/$part" "$SCRATCH/source/"
    done
    find "$SCRATCH/source" -name __pycache__ -prune -exec rm -rf {} +
    clear=''
    which_python='import sys; print(sys.version_info[:2])'
    if [ -e "$VENV" ] && [ "$("$VENV/bin/python" -c "$which_python" 2>&1)" != "$(python3 -c "$which_python")" ]; then
        clear=--clear # the system's Python has moved on, as after an upgrade of the system
    fi
    run mkdir -p "$ROOT/opt/biteclock"
    run python3 -m venv ${clear:+"$clear"} "$VENV"
    run env PIP_ROOT_USER_ACTION=ignore PIP_DISABLE_PIP_VERSION_CHECK=1 \
        "$VENV/bin/python" -m pip install --quiet --upgrade "$SCRATCH/source"
    run mkdir -p "$LINKS"
    for command in biteclock biteclock-force-off; do
        run ln -sfn "/opt/biteclock/venv/bin/$command" "$LINKS/$command"
    done
}

install_files() {
    if [ -e "$CONFIG" ]; then
        say "kept $CONFIG"
    else
        sed "s/^# relay_pin = .*/relay_pin = \"$PIN\"/" "$SOURCE/systemd/biteclock.toml" >"$SCRATCH/config"
        put "$SCRATCH/config" "$CONFIG" 0644
    fi
    sed "s/^Environment=BITECLOCK_RELAY_PIN=.*/Environment=BITECLOCK_RELAY_PIN=$PIN/" \
        "$SOURCE/systemd/biteclock.service" >"$SCRATCH/unit"
    put "$SCRATCH/unit" "$UNIT" 0644
    # The unit admits devices of class i2c, which exists only once the module is there.
    say i2c-dev >"$SCRATCH/modules"
    put "$SCRATCH/modules" "$MODULES" 0644
    # Raspberry Pi OS has the like; plain Debian leaves GPIO chips to root.
    cat >"$SCRATCH/rules" <<'EOF'
SUBSYSTEM=="gpio", KERNEL=="gpiochip*", GROUP="gpio", MODE="0660"
SUBSYSTEM=="i2c-dev", GROUP="i2c", MODE="0660"
EOF
    put "$SCRATCH/rules" "$RULES" 0644
}

load_devices() {
    on_system modprobe i2c-dev || say "note: i2c-dev cannot be loaded now, it will be at the next boot"
    on_system udevadm control --reload || say "note: the device rules take effect at the next boot"
    on_system udevadm trigger --subsystem-match=gpio --subsystem-match=i2c-dev || :
}

boot_block() {
    # [all] ends a filter like [pi4], and the empty dtoverlay= ends an overlay's own parameters, whatever stands above.
    cat <<EOF
# biteclock begin (systemd/install.sh writes this block, --uninstall takes it out)
[all]
dtoverlay=
# The current sensor's bus.
dtparam=i2c_arm=on
# A Pi's kernel leaves a pin as it was when its process is killed: the relay
# would stay on. With this the pin becomes an input and the pull-down opens it.
dtparam=strict_gpiod
# The relay's pin low from the first second, before the kernel runs.
gpio=${PIN#GPIO}=op,dl
# biteclock end
EOF
}

edit_boot_config() { # edit_boot_config with|without
    for boot in "$ROOT/boot/firmware/config.txt" "$ROOT/boot/config.txt"; do
        if [ -f "$boot" ]; then break; fi
        boot=''
    done
    if [ -z "$boot" ]; then
        say "note: no config.txt of a Raspberry Pi below $ROOT/boot: I2C, strict_gpiod and the pin's early level are yours to set"
        return 0
    fi
    begins=$(grep -c '^# biteclock begin' "$boot" || :)
    ends=$(grep -c '^# biteclock end' "$boot" || :)
    [ "$begins" = "$ends" ] || die "$boot has $begins 'biteclock begin' and $ends 'biteclock end': take the block out by hand"
    sed '/^# biteclock begin/,/^# biteclock end/d' "$boot" >"$SCRATCH/boot"
    if [ "$1" = with ]; then
        if [ -s "$SCRATCH/boot" ] && [ -n "$(tail -c 1 "$SCRATCH/boot")" ]; then echo >>"$SCRATCH/boot"; fi
        boot_block >>"$SCRATCH/boot"
    fi
    put "$SCRATCH/boot" "$boot" "$(stat -c %a "$boot")"
    BOOT_CHANGED=$CHANGED
    run sync
}

reboot_notice() {
    if [ "$BOOT_CHANGED" = yes ]; then say "The boot configuration has changed: reboot (sudo reboot) before you go on."; fi
}

install_all() {
    refuse_during_a_run
    install_packages
    check_python
    make_user
    manager stop biteclock 2>/dev/null || : # not there yet
    STOPPED=yes
    build_venv
    install_files
    load_devices
    edit_boot_config with
    manager daemon-reload
    on_system systemctl enable biteclock
    if [ "$BOOT_CHANGED" = no ]; then manager restart biteclock; fi
    say "biteclock is installed, relay on $PIN. Before the first plate: wiring.md and the bench acceptance list in README.md."
    reboot_notice
}

uninstall_all() {
    refuse_during_a_run
    manager stop biteclock || : # the unit's last command drives the pin low
    on_system systemctl disable biteclock 2>/dev/null || :
    run rm -rf "$VENV"
    run rm -f "$UNIT" "$MODULES" "$RULES" "$LINKS/biteclock" "$LINKS/biteclock-force-off"
    if [ -d "$ROOT/opt/biteclock" ]; then run rmdir "$ROOT/opt/biteclock" || :; fi
    edit_boot_config without
    manager daemon-reload
    say "biteclock is gone. Left for you: $CONFIG, the records in $ROOT/var/lib/biteclock, the user biteclock."
    reboot_notice
}

check_machine
if [ "$UNINSTALL" = yes ]; then
    uninstall_all
else
    choose_pin
    install_all
fi
