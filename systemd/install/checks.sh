# What install.sh asks before it changes anything.
# shellcheck shell=sh

check_machine() {
    if [ -n "$ROOT" ] || [ "$DRY_RUN" = yes ]; then return 0; fi
    [ "$(id -u)" = 0 ] || die "this needs root: sudo $0"
    [ -e /etc/debian_version ] ||
        die "this is neither Raspberry Pi OS nor Debian: install by hand as README.md lists"
    [ "$TASK" = install ] || return 0
    case $(dpkg --print-architecture) in
    arm64) ;;
    armhf) die "this system is 32-bit, and the libraries have no packages for it: \
install the 64-bit Raspberry Pi OS (Pi Zero 2 W, 3, 4 or 5)" ;;
    *) die "this machine is $(dpkg --print-architecture), not a 64-bit Raspberry Pi (arm64): \
try 'make demo' on it" ;;
    esac
}

check_python() {
    python3 -c 'import sys; sys.exit(not (3, 11) <= sys.version_info[:2] <= (3, 13))' ||
        die "python3 is $(python3 --version 2>&1); 3.11 to 3.13 is needed, \
as in Raspberry Pi OS bookworm and trixie"
}

choose_pin() { # an installed configuration wins; --pin is for a new rig
    PIN=${PIN_GIVEN:-GPIO17}
    if [ -f "$CONFIG" ]; then
        configured=$(config_value relay_pin)
        configured=${configured:-GPIO17}
        [ -z "$PIN_GIVEN" ] || [ "$PIN_GIVEN" = "$configured" ] ||
            die "--pin $PIN_GIVEN, but relay_pin in $CONFIG is $configured: \
change it there, then run this without --pin"
        PIN=$configured
    fi
    case $PIN in
    GPIO9 | GPIO1[0-36-9] | GPIO2[0-7]) ;;
    GPIO[0-8])
        die "$PIN starts with a pull-up and would close the relay at power-up: \
take one of GPIO9 to GPIO27"
        ;;
    GPIO14 | GPIO15)
        die "$PIN is the serial console, which drives it at boot: take another of GPIO9 to GPIO27"
        ;;
    *) die "$PIN is not a usable pin: give one of GPIO9 to GPIO27" ;;
    esac
}

probe() { # ask the daemon: STATE_OF_RUN or unknown, HEALTH ready, not_ready or unknown
    answer=$(python3 "$PARTS/bench.py" probe "$CONFIG" 2>/dev/null) || answer=''
    STATE_OF_RUN=${answer%% *}
    STATE_OF_RUN=${STATE_OF_RUN:-unknown}
    HEALTH=${answer##* }
    HEALTH=${HEALTH:-unknown}
}

service_is_active() { concerns_system && systemctl is-active --quiet biteclock 2>/dev/null; }

refuse_during_a_run() {
    if ! service_is_active; then return 0; fi
    probe
    case $STATE_OF_RUN in
    checking | running | paused)
        die "a run is $STATE_OF_RUN: let it finish or stop it, then run this again"
        ;;
    unknown)
        die "biteclock is active and does not say whether a run is on: \
stop the service first (sudo systemctl stop biteclock), then run this again"
        ;;
    esac
}

check_configuration() { # by the program that is about to read it, before the old one is stopped
    if [ "$DRY_RUN" = yes ]; then
        say "+ biteclock config check $CONFIG"
        return 0
    fi
    checked=$CONFIG
    refused=''
    if [ ! -e "$CONFIG" ]; then
        sample_config >"$SCRATCH/config"
        checked=$SCRATCH/config
    fi
    if "$NEW/bin/biteclock" config check --help >/dev/null 2>&1; then
        "$NEW/bin/biteclock" config check "$checked" >"$SCRATCH/checked" 2>&1 || refused=yes
    else
        "$NEW/bin/python" "$PARTS/trial.py" config "$checked" >"$SCRATCH/checked" 2>&1 ||
            refused=yes
    fi
    [ -z "$refused" ] || die "the version to be installed refuses $CONFIG. Nothing was changed.
$(cat "$SCRATCH/checked")"
}
