# The program's own Python: built beside the one that runs, from the lock files.
# shellcheck shell=sh

open_bundle() { # take everything from a bundle, once its checksums are right
    if [ -z "$BUNDLE" ]; then
        if [ ! -f "$SOURCE/SHA256SUMS" ]; then return 0; fi
        BUNDLE=$SOURCE # this script lies in an unpacked bundle
    fi
    if [ -f "$BUNDLE" ]; then
        mkdir "$SCRATCH/bundle"
        tar -xf "$BUNDLE" -C "$SCRATCH/bundle" || die "$BUNDLE is not a bundle: tar cannot read it"
        BUNDLE=$(echo "$SCRATCH/bundle"/*)
    fi
    [ -f "$BUNDLE/SHA256SUMS" ] || die "$BUNDLE is not a bundle: it has no SHA256SUMS"
    (cd "$BUNDLE" && sha256sum --check --quiet --strict SHA256SUMS) ||
        die "$BUNDLE is damaged. Nothing was changed: copy it again"
    (cd "$BUNDLE" && find . -type f ! -name SHA256SUMS ! -path '*/__pycache__/*' |
        sed 's:^\./::' | sort) >"$SCRATCH/there"
    sed 's/^[0-9a-f]*  //' "$BUNDLE/SHA256SUMS" | sort >"$SCRATCH/summed"
    cmp -s "$SCRATCH/there" "$SCRATCH/summed" ||
        die "$BUNDLE holds files that its SHA256SUMS does not name. Nothing was changed"
    SOURCE=$(cd "$BUNDLE" && pwd -P)
}

find_environments() { # OLD: the environment in use, or nothing
    OLD=''
    if [ -L "$LINK" ]; then
        OLD=$(readlink -f "$LINK")
    elif [ -d "$LINK" ]; then
        OLD=$LINK # made by version 0.1.0, which knew one environment only
    fi
}

project_version() { sed -n 's/^version = "\(.*\)"$/\1/p' "$SOURCE/pyproject.toml"; }

install_packages() {
    [ "$APT" = yes ] && [ -z "$BUNDLE" ] || return 0
    # venv: the daemon's Python; i2c-tools, gpiod: i2cdetect and gpioinfo for the acceptance list.
    packages="python3 python3-venv ca-certificates i2c-tools gpiod libseccomp2"
    # shellcheck disable=SC2086
    if concerns_system && dpkg-query -s $packages >/dev/null 2>&1; then return 0; fi
    on_system apt-get update
    # shellcheck disable=SC2086
    on_system env DEBIAN_FRONTEND=noninteractive apt-get install -y --no-install-recommends \
        $packages
}

pip_install() {
    run env PIP_ROOT_USER_ACTION=ignore PIP_DISABLE_PIP_VERSION_CHECK=1 \
        "$NEW/bin/python" -m pip install --quiet ${BUNDLE:+--no-index} "$@"
}

copy_project() { # from a copy: building leaves traces, and here they would belong to root
    mkdir "$SCRATCH/source"
    for part in pyproject.toml README.md LICENSE controller hardware api systemd; do
        cp -R "$SOURCE/$part" "$SCRATCH/source/"
    done
    find "$SCRATCH/source" -name __pycache__ -prune -exec rm -rf {} +
}

fingerprint() { # of what the environment is made from
    python3 -c 'import sys; print(sys.version)'
    if [ -n "$BUNDLE" ]; then
        cat "$SOURCE/SHA256SUMS"
    else
        (cd "$SCRATCH/source" && find . -type f -exec sha256sum {} + | sort -k 2)
    fi
}

build_environment() {
    find_environments
    [ -n "$BUNDLE" ] || copy_project
    fingerprint >"$SCRATCH/fingerprint"
    if [ -n "$OLD" ] && cmp -s "$SCRATCH/fingerprint" "$OLD/fingerprint" &&
        "$OLD/bin/biteclock" --version >/dev/null 2>&1; then
        NEW=$OLD
        say "this version is already installed"
        return 0
    fi
    number=1
    while [ -e "$BASE/venv-$(project_version)-$number" ]; do number=$((number + 1)); done
    NEW=$BASE/venv-$(project_version)-$number
    [ "$DRY_RUN" = yes ] || BUILDING=$NEW
    run mkdir -p "$BASE"
    run python3 -m venv "$NEW"
    lock=$SOURCE/systemd/lock
    messages=''
    [ ! -f "$SOURCE/systemd/biteclock-messages.service" ] || messages=$lock/messages.txt
    wheels=$SOURCE/systemd/wheels
    [ -z "$BUNDLE" ] || wheels=$SOURCE/wheels
    pip_install --require-hashes --only-binary :all: --find-links "$wheels" \
        --requirement "$lock/build.txt" --requirement "$lock/product.txt" \
        ${messages:+--requirement "$messages"} ||
        die "the libraries cannot be installed; nothing was changed, and what ran before \
keeps running. Without internet, use --bundle"
    if [ -n "$BUNDLE" ]; then
        pip_install --no-deps "$wheels/biteclock-$(project_version)-py3-none-any.whl"
    else
        pip_install --no-deps --no-build-isolation "$SCRATCH/source"
    fi
    run cp "$SCRATCH/fingerprint" "$NEW/fingerprint"
}
