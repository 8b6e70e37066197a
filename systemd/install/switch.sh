# The switch from one version to another. It goes back when the new one does not become ready.
# shellcheck shell=sh

POLLS=60 # of the new version, one a second
IN_A_ROW=3

unit_names() { # unit_names TREE SUFFIX: the units of that kind which a version brings
    listed "$1/$UNITS" | grep "\.$2\$" || :
}

is_optional() {
    case " $OPTIONAL " in *" $1 "*) true ;; *) false ;; esac
}

is_enabled() { concerns_system && systemctl is-enabled --quiet "$1" 2>/dev/null; }

stop_units() { # sockets first, so that none starts its service again
    for socket in $(unit_names "${OLD:-/nonexistent}/system" socket); do
        manager stop "$socket"
    done
    manager stop biteclock
}

start_units() {
    for unit in $(unit_names "$TREE" socket) $(unit_names "$TREE" path); do
        if is_optional "$unit" && ! is_enabled "$unit"; then continue; fi
        on_system systemctl enable "$unit"
        manager restart "$unit"
    done
    on_system systemctl enable biteclock
    manager restart biteclock
}

restart_optional() { # units that a person has switched on get the new program too
    for unit in $OPTIONAL; do
        case $unit in *.socket) continue ;; esac
        [ -e "$TREE/$UNITS/$unit" ] || continue
        manager try-restart "$unit" || say "note: $unit does not restart: systemctl status $unit"
    done
}

point_to() { # point_to ENVIRONMENT: one rename, so that the link is never missing
    run ln -sfn "${1##*/}" "$BASE/venv.new"
    run mv -fT "$BASE/venv.new" "$LINK"
}

wait_until_ready() { # WAS: the health before the update, which the new version must reach
    if ! has_manager; then return 0; fi
    good=0
    polls=0
    while [ "$polls" -lt "$POLLS" ]; do
        polls=$((polls + 1))
        if service_is_active && probe && is_good_enough; then
            good=$((good + 1))
            if [ "$good" -ge "$IN_A_ROW" ]; then return 0; fi
        else
            good=0
        fi
        sleep 1
    done
    return 1
}

is_good_enough() {
    case $WAS in
    ready) [ "$HEALTH" = ready ] ;;
    not_ready) [ "$HEALTH" != unknown ] ;;
    *) true ;; # a new rig, or one that could not be asked: running is enough
    esac
}

switch_to_new() {
    check_boot_config
    refuse_during_a_run # one may have begun while the new environment was built
    WAS=unknown
    WAS_ACTIVE=no
    if service_is_active; then
        WAS_ACTIVE=yes
        probe
        WAS=$HEALTH
    fi
    BEFORE=$SCRATCH/before
    keep_files "$BEFORE"
    find_boot_config
    [ -z "$BOOT" ] || cp -p "$BOOT" "$SCRATCH/boot-before"
    HAD_CONFIG=no
    [ ! -e "$CONFIG" ] || HAD_CONFIG=yes
    SWITCHING=yes
    if [ -n "$OLD" ]; then stop_units; fi
    if [ "$DRY_RUN" = no ]; then keep_logbook; fi
    if [ "$OLD" = "$LINK" ]; then # version 0.1.0: its folder gets a name, and a link its place
        run mv "$LINK" "$BASE/venv-0.1.0-0"
        OLD=$BASE/venv-0.1.0-0
    fi
    point_to "$NEW"
    run mkdir -p "$COMMANDS"
    for command in biteclock biteclock-force-off; do
        run ln -sfn "/opt/biteclock/venv/bin/$command" "$COMMANDS/$command"
    done
    put_config
    put_files "$TREE" "$BEFORE"
    load_devices
    edit_boot_config with
    manager daemon-reload
    if [ "$BOOT_CHANGED" = yes ]; then
        on_system systemctl enable biteclock # it starts with the reboot, on the new pins
    else
        start_units
        wait_until_ready || die "version $(version_of "$NEW") did not become ready: \
journalctl -u biteclock says why"
    fi
    SWITCHING=no
    BUILDING=''
}

version_of() { "$1/bin/biteclock" --version 2>/dev/null | sed 's/.*[ ,]//' || :; }

switch_back() { # called on any failure while the service is stopped
    say "install.sh: going back to what ran before"
    stop_units >/dev/null
    if [ "$OLD" = "$LINK" ] && [ ! -d "$LINK" ]; then OLD=$BASE/venv-0.1.0-0; fi
    if [ -z "$OLD" ]; then
        say "install.sh: there was no earlier version; nothing is running, and the relay is off."
        return 0
    fi
    if [ -d "$OLD" ] && [ "$OLD" != "$LINK" ]; then point_to "$OLD"; fi
    for path in $(listed "$TREE"); do rm -f "$ROOT/$path.new"; done
    rm -f "$BASE/venv.new" "$CONFIG.new" ${BOOT:+"$BOOT.new"}
    put_files "$BEFORE" "$TREE"
    [ "$HAD_CONFIG" = yes ] || rm -f "$CONFIG"
    if [ -f "$SCRATCH/boot-before" ] && ! cmp -s "$SCRATCH/boot-before" "$BOOT"; then
        put "$SCRATCH/boot-before" "$BOOT" "$(stat -c %a "$BOOT")"
    fi
    put_logbook_back
    manager daemon-reload
    if [ "$WAS_ACTIVE" = no ]; then
        say "install.sh: the previous version is in place again; it was not running."
    elif manager restart biteclock && wait_until_ready; then
        say "install.sh: the previous version is running again. Nothing is lost."
    else
        say "install.sh: the previous version does not become ready either. The relay is off:" \
            "journalctl -u biteclock says why."
    fi
}

finish() {
    run rm -rf "$NEW/system"
    run cp -R "$TREE" "$NEW/system"
    if [ "$NEW" != "$OLD" ]; then
        if [ -n "$OLD" ]; then
            [ -d "$OLD/system" ] || run cp -R "$BEFORE" "$OLD/system"
            run ln -sfn "${OLD##*/}" "$BASE/previous"
        fi
        for environment in "$BASE"/venv-*; do
            case $environment in
            "$NEW" | "$OLD" | "$BASE/venv-*") ;;
            *) run rm -rf "$environment" ;;
            esac
        done
    fi
    restart_optional
    say "biteclock $(version_of "$NEW") is installed, relay on $PIN."
    [ -n "$OLD" ] || say "Before the first plate: wiring.md and the acceptance list in README.md."
    reboot_notice
    if [ "$BOOT_CHANGED" = no ] && has_manager; then
        "$LINK/bin/biteclock" pair 2>/dev/null ||
            say "The PIN for the page: sudo journalctl -u biteclock -b"
    fi
}
