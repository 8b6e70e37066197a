# The logbook across versions: tried on a copy, kept before a new version writes to it.
# shellcheck shell=sh

find_logbook() { # LOGBOOK: its path, whether it exists or not
    name=$(python3 "$PARTS/bench.py" logbook "$CONFIG")
    case $name in
    /*) LOGBOOK=$ROOT$name ;;
    *) LOGBOOK=$STATE/$name ;;
    esac
}

copy_logbook() { # copy_logbook TO: whole, with what is still in the write-ahead log
    as_daemon python3 "$SCRATCH/bench.py" copy "$LOGBOOK" >"$1"
}

schema_of() { python3 "$PARTS/bench.py" schema "$1"; }

has_logbook() { [ -f "$LOGBOOK" ]; }

try_logbook() { # let the new program convert a copy, while the old one still runs
    REPLACEMENT=''
    SCHEMA=''
    if [ "$DRY_RUN" = yes ]; then
        say "+ try the new version on a copy of the logbook"
        return 0
    fi
    find_logbook
    chmod 0755 "$SCRATCH" # the daemon's user runs bench.py from here; the copy stays root's
    cp "$PARTS/bench.py" "$SCRATCH/bench.py"
    if ! has_logbook; then return 0; fi
    (umask 077 && copy_logbook "$SCRATCH/logbook") ||
        die "the logbook $LOGBOOK cannot be copied. Nothing was changed"
    SCHEMA=$(schema_of "$SCRATCH/logbook")
    status=0
    "$NEW/bin/python" "$PARTS/trial.py" convert "$SCRATCH/logbook" >"$SCRATCH/trial" 2>&1 ||
        status=$?
    NEW_SCHEMA=$(tail -n 1 "$SCRATCH/trial")
    case $status in
    0) ;;
    3) choose_replacement ;;
    *)
        die "the new version cannot convert a copy of the logbook. Nothing was changed.
$(cat "$SCRATCH/trial")"
        ;;
    esac
}

choose_replacement() { # the logbook is too new: take the newest copy that this version can read
    for copy in "$KEPT"/before-*.sqlite; do
        [ -f "$copy" ] && [ "$(schema_of "$copy")" -le "$NEW_SCHEMA" ] || continue
        if [ -z "$REPLACEMENT" ] ||
            [ "$(schema_of "$copy")" -gt "$(schema_of "$REPLACEMENT")" ]; then
            REPLACEMENT=$copy
        fi
    done
    [ -n "$REPLACEMENT" ] || die "the logbook has format $SCHEMA, and this version reads up to \
$NEW_SCHEMA. There is no older copy in $KEPT. Nothing was changed: install a newer version"
}

keep_logbook() { # the service is stopped: keep the logbook before another version opens it
    if ! has_logbook; then return 0; fi
    (umask 077 && copy_logbook "$SCRATCH/last")
    SCHEMA=$(schema_of "$SCRATCH/last")
    if [ -z "$REPLACEMENT" ] && [ "$SCHEMA" = "$NEW_SCHEMA" ]; then return 0; fi
    kind=before
    [ -z "$REPLACEMENT" ] || kind=newer # its runs are nowhere else
    KEPT_COPY=$KEPT/$kind-$(date -u +%Y%m%dT%H%M%SZ)-format-$SCHEMA.sqlite
    mkdir -p "$KEPT"
    chmod 0700 "$KEPT"
    cp -p "$SCRATCH/last" "$KEPT_COPY.part"
    sync "$KEPT_COPY.part"
    mv "$KEPT_COPY.part" "$KEPT_COPY"
    say "kept a copy of the logbook: $KEPT_COPY"
    [ -n "$REPLACEMENT" ] || return 0
    restore_logbook "$REPLACEMENT"
    say "The logbook is the copy $REPLACEMENT again: this version cannot read the newer one."
    say "Runs since then are in $KEPT_COPY."
}

restore_logbook() { # restore_logbook COPY: put it in the place of the logbook
    # The name is an argument of the inner shell.
    # shellcheck disable=SC2016
    as_daemon sh -c 'umask 077 && cat >"$1.new" && sync "$1.new" &&
        rm -f "$1-wal" "$1-shm" && mv "$1.new" "$1"' sh "$LOGBOOK" <"$1"
}

put_logbook_back() { # after a failed start: the old version reads its own format only
    if [ -z "${KEPT_COPY:-}" ] || [ ! -f "$KEPT_COPY" ]; then return 0; fi
    if copy_logbook "$SCRATCH/after" && [ "$(schema_of "$SCRATCH/after")" = "$SCHEMA" ]; then
        return 0
    fi
    restore_logbook "$KEPT_COPY" && rm -f "$KEPT_COPY"
}
