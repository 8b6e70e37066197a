# Small tools of install.sh.
# shellcheck shell=sh

SCRATCH=$(mktemp -d)
BOOT_CHANGED=no
BUILDING=''   # an environment that no service uses yet
SWITCHING=no  # yes while the service is stopped for the switch

say() { printf '%s\n' "$*"; }

die() {
    printf 'install.sh: %s\n' "$*" >&2
    exit 1
}

at_exit() {
    status=$?
    trap '' HUP INT TERM
    set +e
    [ "$SWITCHING" = no ] || [ "$status" = 0 ] || switch_back >&2
    [ -z "$BUILDING" ] || rm -rf "$BUILDING"
    rm -rf "$SCRATCH"
    exit "$status"
}
trap at_exit EXIT
trap 'exit 129' HUP # the connection to the Pi broke
trap 'exit 130' INT
trap 'exit 143' TERM

run() {
    if [ "$DRY_RUN" = yes ]; then say "+ $*"; else "$@"; fi
}

concerns_system() { [ -z "$ROOT" ]; }

on_system() { # what concerns the running system and not a file: never below a prefix
    if concerns_system; then run "$@"; else say "not below a prefix: $*"; fi
}

manager() { # the service manager, where there is one: not in a chroot that builds an image
    if [ -d /run/systemd/system ] || [ -n "$ROOT" ] || [ "$DRY_RUN" = yes ]; then
        on_system systemctl "$@"
    else
        say "systemd does not run here, left out: systemctl $*"
    fi
}

has_manager() { # whether a service can be started and asked
    concerns_system && [ "$DRY_RUN" = no ] && { [ -d /run/systemd/system ] || [ -n "$ROOT" ]; }
}

as_daemon() { # the daemon's files belong to it: root neither reads nor writes there
    if concerns_system; then runuser -u biteclock -- "$@"; else "$@"; fi
}

put() { # put FROM TO MODE: copy the file if it differs; CHANGED says so
    CHANGED=no
    if [ -f "$2" ] && cmp -s "$1" "$2"; then return 0; fi
    CHANGED=yes
    run mkdir -p "$(dirname "$2")"
    run cp "$1" "$2.new"
    run chmod "$3" "$2.new"
    run mv -f "$2.new" "$2"
    say "wrote $2"
}

config_value() { # config_value KEY: its value in the installed configuration, or nothing
    if [ -f "$CONFIG" ]; then
        key="^[[:space:]]*$1[[:space:]]*=[[:space:]]*"
        sed -n "s/$key[\"']\{0,1\}\([A-Za-z0-9_.-]*\).*/\1/p" "$CONFIG" | head -n 1
    fi
}

listed() { # listed DIRECTORY: the files below it, each as a path without a slash in front
    if [ -d "$1" ]; then (cd "$1/" && find . -type f | sed 's:^\./::' | sort); fi
}
