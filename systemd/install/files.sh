# The files outside the environment: units, device rules, manual, boot configuration.
# shellcheck shell=sh

UNITS=etc/systemd/system
LEGACY_FILES="$UNITS/biteclock.service etc/modules-load.d/biteclock.conf
etc/udev/rules.d/60-biteclock.rules"

TREE=$SCRATCH/system # what belongs to the new version, laid out as it will be installed

sample_config() {
    sed "s/^# relay_pin = .*/relay_pin = \"$PIN\"/" "$SOURCE/systemd/biteclock.toml"
}

pin_in_unit() {
    echo "s/^Environment=BITECLOCK_RELAY_PIN=.*/Environment=BITECLOCK_RELAY_PIN=$PIN/"
}

unit_values() { # unit_values KEY...: what the units name under these keys, each once
    for key in "$@"; do
        sed -n "s/^$key=//p" "$SOURCE"/systemd/*.service "$SOURCE"/systemd/*.socket 2>/dev/null
    done | tr ' ' '\n' | sort -u
}

make_users() { # a user for each User= in the units, a group for each group
    for group in $(unit_values Group SupplementaryGroups SocketGroup User); do
        [ "$group" != root ] || continue
        if [ -n "$ROOT" ] || ! getent group "$group" >/dev/null; then
            on_system groupadd --system "$group"
        fi
    done
    for user in $(unit_values User); do
        [ "$user" != root ] || continue
        if [ -n "$ROOT" ] || ! getent passwd "$user" >/dev/null; then
            on_system useradd --system --gid "$user" --home-dir "/var/lib/$user" --no-create-home \
                --shell /usr/sbin/nologin "$user"
        fi
    done
    on_system usermod --append --groups gpio,i2c biteclock
    # The person at the Pi may use the daemon's local socket, as biteclock off and pair do.
    if [ -n "${SUDO_USER:-}" ] && [ "$SUDO_USER" != root ]; then
        on_system usermod --append --groups biteclock "$SUDO_USER"
    fi
}

stage() { # stage FROM TO: lay out one file, if there is one
    [ -e "$1" ] || return 0
    mkdir -p "$TREE/$(dirname "$2")"
    cp "$1" "$TREE/$2"
}

stage_files() {
    sed "$(pin_in_unit)" "$SOURCE/systemd/biteclock.service" >"$SCRATCH/unit"
    # The unit admits devices of class i2c, which exists only once the module is there.
    echo i2c-dev >"$SCRATCH/modules"
    # Raspberry Pi OS has similar rules; plain Debian leaves GPIO chips to root.
    cat >"$SCRATCH/rules" <<'EOF'
SUBSYSTEM=="gpio", KERNEL=="gpiochip*", GROUP="gpio", MODE="0660"
SUBSYSTEM=="i2c-dev", GROUP="i2c", MODE="0660"
EOF
    for unit in "$SOURCE"/systemd/*.service "$SOURCE"/systemd/*.socket "$SOURCE"/systemd/*.path; do
        stage "$unit" "$UNITS/${unit##*/}"
    done
    stage "$SCRATCH/unit" "$UNITS/biteclock.service"
    stage "$SCRATCH/modules" etc/modules-load.d/biteclock.conf
    stage "$SCRATCH/rules" etc/udev/rules.d/60-biteclock.rules
    if [ -d "$ROOT/etc/avahi/services" ]; then
        for announced in "$SOURCE"/systemd/*.avahi-service; do
            name=${announced##*/}
            stage "$announced" "etc/avahi/services/${name%.avahi-service}.service"
        done
    fi
    share=usr/local/share
    for file in $(listed "$SOURCE/systemd/share"); do
        name=${file##*/}
        case $name in
        *.1 | *.5 | *.8) stage "$SOURCE/systemd/share/$file" "$share/man/man${name##*.}/$name" ;;
        *.bash) stage "$SOURCE/systemd/share/$file" \
            "$share/bash-completion/completions/${name%.bash}" ;;
        _*) stage "$SOURCE/systemd/share/$file" "$share/zsh/site-functions/$name" ;;
        *.fish) stage "$SOURCE/systemd/share/$file" "$share/fish/vendor_completions.d/$name" ;;
        esac
    done
}

keep_files() { # keep_files DIRECTORY: copy what is installed now, to be able to put it back
    mkdir -p "$1"
    for path in $(listed "$OLD/system") $LEGACY_FILES; do
        if [ -f "$ROOT/$path" ]; then
            mkdir -p "$1/$(dirname "$path")"
            cp -p "$ROOT/$path" "$1/$path"
        fi
    done
}

put_files() { # put_files NEW OLD: install one laid-out tree and take away what only OLD had
    for path in $(listed "$1"); do
        put "$1/$path" "$ROOT/$path" 0644
    done
    for path in $(listed "$2"); do
        [ -e "$1/$path" ] || run rm -f "$ROOT/$path"
    done
}

put_config() {
    if [ -e "$CONFIG" ]; then
        say "kept $CONFIG"
    else
        sample_config >"$SCRATCH/config"
        put "$SCRATCH/config" "$CONFIG" 0644
    fi
}

load_devices() {
    on_system modprobe i2c-dev ||
        say "note: i2c-dev cannot be loaded now; it will be loaded at the next boot"
    on_system udevadm control --reload ||
        say "note: the device rules take effect at the next boot"
    on_system udevadm trigger --subsystem-match=gpio --subsystem-match=i2c-dev || :
}

boot_block() {
    # [all] ends a filter like [pi4], and the empty dtoverlay= ends an overlay's own parameters.
    cat <<EOF
# biteclock begin (systemd/install.sh writes this block, --uninstall removes it)
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

find_boot_config() { # BOOT: the boot configuration of a Raspberry Pi, or nothing
    for BOOT in "$ROOT/boot/firmware/config.txt" "$ROOT/boot/config.txt"; do
        if [ -f "$BOOT" ]; then return 0; fi
    done
    BOOT=''
}

check_boot_config() {
    find_boot_config
    if [ -z "$BOOT" ]; then return 0; fi
    begins=$(grep -c '^# biteclock begin' "$BOOT" || :)
    ends=$(grep -c '^# biteclock end' "$BOOT" || :)
    [ "$begins" = "$ends" ] ||
        die "$BOOT has $begins 'biteclock begin' and $ends 'biteclock end': \
remove the block by hand"
}

edit_boot_config() { # edit_boot_config with|without
    check_boot_config
    if [ -z "$BOOT" ]; then
        say "note: no config.txt of a Raspberry Pi below $ROOT/boot: \
I2C, strict_gpiod and the pin's early level are yours to set"
        return 0
    fi
    sed '/^# biteclock begin/,/^# biteclock end/d' "$BOOT" >"$SCRATCH/boot"
    if [ "$1" = with ]; then
        if [ -s "$SCRATCH/boot" ] && [ -n "$(tail -c 1 "$SCRATCH/boot")" ]; then
            echo >>"$SCRATCH/boot"
        fi
        boot_block >>"$SCRATCH/boot"
    fi
    put "$SCRATCH/boot" "$BOOT" "$(stat -c %a "$BOOT")"
    BOOT_CHANGED=$CHANGED
    run sync
}

reboot_notice() {
    if [ "$BOOT_CHANGED" = yes ]; then
        say "The boot configuration has changed: reboot (sudo reboot) before you go on."
    fi
}
