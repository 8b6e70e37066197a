#!/bin/sh
# Write the lock files anew: `make lock`, by hand, after a change of the requirements in
# pyproject.toml. Versions that still fit stay; UPGRADE=1 takes the newest that fit.
# Needs uv and the package index. See README.md, "The same program on every machine".
set -eu

cd "$(dirname "$0")/../.."
command -v uv >/dev/null || {
    echo "refresh.sh: uv is missing; it is on the package index: pipx install uv" >&2
    exit 1
}

# compile OUTPUT REQUIREMENTS... : one file for every machine and every Python from 3.11 on, with
# the same version of a package on all. Wheels only, so that nothing is built on a Pi.
compile() {
    output=$1
    shift
    uv pip compile --quiet ${UPGRADE:+--upgrade} --universal --generate-hashes \
        --python-version 3.11 --fork-strategy fewest --only-binary :all: \
        --find-links systemd/wheels --no-header --no-annotate \
        --no-emit-index-url --no-emit-find-links --output-file "$output" "$@"
}

scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT
python3 - "$scratch" <<'EOF'
import pathlib, sys, tomllib

whole = tomllib.loads(pathlib.Path("pyproject.toml").read_text())
files = {
    "build.in": whole["build-system"]["requires"],
    "messages.in": whole["project"]["optional-dependencies"]["messages"],
}
for name, requirements in files.items():
    pathlib.Path(sys.argv[1], name).write_text("\n".join(requirements))
EOF

# The widest first: the others take their versions from it.
all=tests/lock/tests.txt
compile "$all" --extra dev --extra messages pyproject.toml "$scratch/build.in"
compile systemd/lock/product.txt --constraint "$all" pyproject.toml
compile systemd/lock/messages.txt --constraint "$all" "$scratch/messages.in"
compile systemd/lock/build.txt --constraint "$all" "$scratch/build.in"
