#!/bin/sh
# Install biteclock on 64-bit Raspberry Pi OS or Debian (bookworm, trixie), update it, go back to
# the previous version, or uninstall it. Run it as often as you like: it changes only what
# differs. The parts are in install/; README.md says what runs after a failure at each step.
set -eu

# Units that are installed and that a person switches on: README.md says how.
OPTIONAL="biteclock-messages.socket biteclock-messages.service"

usage() {
    cat <<'EOF'
Usage: sudo systemd/install.sh [--pin GPIOnn] [--bundle FILE] [--no-apt] [--dry-run] [--prefix ROOT]
       sudo systemd/install.sh --rollback [--dry-run] [--prefix ROOT]
       sudo systemd/install.sh --uninstall [--dry-run] [--prefix ROOT]

  --pin GPIOnn   the relay's pin for a new rig, GPIO17 if not given. An installed rig has it in
                 /etc/biteclock/biteclock.toml, relay_pin: change it there and run this again.
  --bundle FILE  install what `make bundle` wrote (the tar file or its folder), without internet
  --rollback     go back to the version that ran before the last update
  --no-apt       leave the system's packages alone
  --dry-run      print what would be done, and do nothing
  --prefix ROOT  put every file below the directory ROOT, and leave the running system alone
  --uninstall    remove everything but the configuration and the records
EOF
}

usage_error() {
    printf 'install.sh: %s\n\n' "$*" >&2
    usage >&2
    exit 2
}

PIN_GIVEN=''
ROOT=''
BUNDLE=''
APT=yes
DRY_RUN=no
TASK=install
while [ $# -gt 0 ]; do
    case $1 in
    --pin | --prefix | --bundle)
        [ $# -ge 2 ] || usage_error "$1 needs a value"
        case $1 in
        --pin) PIN_GIVEN=$2 ;;
        --prefix) ROOT=${2%/} ;;
        --bundle) BUNDLE=$2 ;;
        esac
        shift
        ;;
    --no-apt) APT=no ;;
    --dry-run) DRY_RUN=yes ;;
    --rollback) TASK=rollback ;;
    --uninstall) TASK=uninstall ;;
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
PARTS=$SOURCE/systemd/install
BASE=$ROOT/opt/biteclock
LINK=$BASE/venv
CONFIG=$ROOT/etc/biteclock/biteclock.toml
COMMANDS=$ROOT/usr/local/bin
STATE=$ROOT/var/lib/biteclock
KEPT=$ROOT/var/lib/biteclock-kept

for part in tools checks environment files logbook switch; do
    # shellcheck source=/dev/null
    . "$PARTS/$part.sh"
done

install_all() {
    open_bundle
    check_python
    choose_pin
    refuse_during_a_run
    install_packages
    make_users
    build_environment
    stage_files
    check_configuration
    try_logbook
    switch_to_new # from here on, a failure brings the old version back
    finish
}

roll_back() {
    find_environments
    [ -e "$BASE/previous" ] || die "there is no version to go back to: $BASE/previous is missing"
    NEW=$(readlink -f "$BASE/previous")
    choose_pin
    refuse_during_a_run
    [ -d "$NEW/system" ] || die "$NEW lacks its unit files: it cannot be restored"
    cp -R "$NEW/system" "$TREE"
    sed -i "$(pin_in_unit)" "$TREE/$UNITS/biteclock.service"
    check_configuration
    try_logbook
    switch_to_new
    finish
}

uninstall_all() {
    find_environments
    refuse_during_a_run
    stop_units || : # the unit's last command drives the pin low
    for unit in $(unit_names "$LINK/system" '.*') biteclock.service; do
        manager stop "$unit" || :
        on_system systemctl disable "$unit" 2>/dev/null || :
    done
    for path in $(listed "$LINK/system") $LEGACY_FILES; do run rm -f "$ROOT/$path"; done
    run rm -f "$COMMANDS/biteclock" "$COMMANDS/biteclock-force-off"
    run rm -rf "$LINK" "$BASE/previous" "$BASE"/venv-*
    if [ -d "$BASE" ]; then run rmdir "$BASE" || :; fi
    edit_boot_config without
    manager daemon-reload
    say "biteclock is uninstalled. Still here: $CONFIG, the records in $STATE, the user biteclock."
    if [ -d "$KEPT" ]; then say "Copies of the logbook from updates are in $KEPT."; fi
    reboot_notice
}

check_machine
case $TASK in
install) install_all ;;
rollback) roll_back ;;
uninstall) uninstall_all ;;
esac
