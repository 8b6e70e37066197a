# Two commands do all the set-up on a fresh machine:
#   make demo            the main job on the rehearsal rig   [SPEED=30] [PORT=8420] [ONCE=1]
#   make test            everything that must hold
# By hand (tests/README.md): make lock, bundle, machines, audit, screenshots, campaign, study,
# coverage, search, mutants, mutants-page, bench, cuts, soak, stop-under-attack, pace, pythons,
# bench-os. After a change of commands: make share.

PYTHON ?= python3
VENV ?= .venv
SPEED ?= 30
PORT ?= 8420
ONCE ?=

BIN := $(VENV)/bin
APT := sudo apt-get install -y
PRODUCT := systemd/lock/product.txt systemd/lock/build.txt
PIP := $(BIN)/python -m pip install --quiet --disable-pip-version-check
LOCKED := --require-hashes --only-binary :all: --find-links systemd/wheels

# Hundreds of tests start a Python: without its cache each would compile every module again.
unexport PYTHONDONTWRITEBYTECODE

.PHONY: demo test lint share audit screenshots campaign study coverage search mutants mutants-page \
  bench bench-os cuts soak stop-under-attack pace pythons lock bundle machines clean need-python \
  need-test-tools

demo: $(VENV)/.installed
	@exec $(BIN)/biteclock demo --speed $(SPEED) --port $(PORT) $(if $(ONCE),--once)

# Three workers on two cores: some wait for a browser or a daemon while others compute.
test: need-test-tools lint
	$(BIN)/python -m pytest --numprocesses 3 --dist loadgroup

lint: $(VENV)/.installed-dev
	$(BIN)/ruff check controller hardware api systemd tests
	$(BIN)/mypy
	$(BIN)/lint-imports --no-logo
	$(BIN)/python -m tests.house.dead_code

# The manual page and the shell completion that install.sh copies.
share: $(VENV)/.installed
	$(BIN)/python systemd/write_share.py

screenshots: need-test-tools $(VENV)/.installed-dev
	$(BIN)/python -m pytest tests/page/test_screens.py tests/page/test_trip.py
	$(BIN)/python -m tests.proofs.pictures

campaign: $(VENV)/.installed-dev
	$(BIN)/python -m tests.proofs.campaign --runs 2000 --seed 1 --workers 2

study: $(VENV)/.installed-dev
	$(BIN)/python -m tests.proofs.campaign --study 3000 --workers 2

# How often the interval covers the truth, from 2,000 simulated baths of each kind.
coverage: $(VENV)/.installed-dev
	nice -n 10 $(BIN)/python -m tests.proofs.learning_coverage --runs 2000

# Other examples than make test draws, and many more of them.
search: $(VENV)/.installed-dev
	nice -n 10 $(BIN)/python -m pytest -m hypothesis --hypothesis-profile search --timeout 0

# What install.sh needs on a Pi without internet: out/bundle.
bundle: $(VENV)/.installed
	$(BIN)/python systemd/bundle.py out/bundle

# README.md followed word for word on a new Debian 12 and a new Debian 13; needs root.
machines: need-python
	nice -n 15 $(PYTHON) tests/proofs/machines.py

# The suite under each promised Python that this machine has, each in an environment of its own.
pythons: need-test-tools
	@for python in python3.11 python3.12 python3.13; do \
	  $$python -c '' 2>/dev/null || { echo "$$python is not here, left out"; continue; }; \
	  echo "--- $$python"; \
	  $(MAKE) --no-print-directory test PYTHON=$$python VENV=.venv-$$python || exit 1; \
	done

mutants: $(VENV)/.installed-dev
	$(PIP) 'cosmic-ray>=8.4'
	nice -n 10 $(BIN)/python -m tests.proofs.mutants --json out/mutants.json

mutants-page: need-test-tools $(VENV)/.installed-dev
	nice -n 10 $(BIN)/python -m tests.proofs.mutants_page --json out/mutants-page.json

bench: $(VENV)/.installed-dev
	$(BIN)/python -m tests.proofs.benchmarks $(if $(QUICK),--quick) $(if $(ROWS),--rows $(ROWS))

audit: | need-python
	@test -d .cache/audit || $(PYTHON) -m venv .cache/audit
	.cache/audit/bin/python -m pip install --quiet --disable-pip-version-check pip-audit
	.cache/audit/bin/pip-audit --disable-pip --require-hashes \
	  --requirement systemd/lock/product.txt --requirement systemd/lock/messages.txt

# RESUME=1 takes the finished image of the last time, with the project as it was.
bench-os: $(VENV)/.installed
	$(BIN)/python systemd/bench_os/run.py $(if $(RESUME),--no-build)

cuts: $(VENV)/.installed-dev
	$(BIN)/python -m tests.proofs.power_cuts --cuts 500

# Stop idle and under six attacks by guests, in a real daemon.
stop-under-attack: $(VENV)/.installed-dev
	$(BIN)/python -m tests.proofs.stop_under_attack $(if $(STOPS),--stops $(STOPS))

soak: $(VENV)/.installed-dev
	$(BIN)/python -m tests.proofs.soak --hours 24 --runs 500

# Passes of the control loop while planning, learning, exports and streams go on beside it.
pace: $(VENV)/.installed-dev
	$(BIN)/python -m tests.proofs.pace

$(VENV)/bin/python: | need-python
	$(PYTHON) -m venv $(VENV)

# The lock first, then the project without its requirements: pip's hash mode takes no folder.
$(VENV)/.installed: pyproject.toml $(PRODUCT) | $(VENV)/bin/python
	$(PIP) $(LOCKED) $(PRODUCT:%=--requirement %)
	$(PIP) --no-deps --no-build-isolation --editable .
	@touch $@

$(VENV)/.installed-dev: pyproject.toml tests/lock/tests.txt | $(VENV)/bin/python
	$(PIP) $(LOCKED) --requirement tests/lock/tests.txt
	$(PIP) --no-deps --no-build-isolation --editable .
	@touch $(VENV)/.installed $@

need-python:
	@command -v $(PYTHON) >/dev/null || { echo "$(PYTHON) is missing: $(APT) python3 python3-venv" >&2; exit 1; }
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' \
	  || { echo "$(PYTHON) is older than 3.11: use Debian 12 or newer, or give PYTHON=python3.11" >&2; exit 1; }
	@$(PYTHON) -c 'import ensurepip, venv' 2>/dev/null || { echo "venv is missing: $(APT) python3-venv" >&2; exit 1; }

need-test-tools:
	@command -v systemd-analyze >/dev/null || { echo "systemd-analyze is missing: $(APT) systemd" >&2; exit 1; }
	@command -v chromium >/dev/null || { echo "Chromium is missing: $(APT) chromium" >&2; exit 1; }
	@command -v node >/dev/null || { echo "Node is missing: $(APT) nodejs" >&2; exit 1; }
	@node -e 'process.exit(parseInt(process.versions.node) < 18 ? 1 : 0)' \
	  || { echo "Node is older than 18: use Debian 12 or newer" >&2; exit 1; }

# The lock files, from the requirements in pyproject.toml. UPGRADE=1 takes the newest versions.
lock:
	UPGRADE=$(UPGRADE) sh systemd/lock/refresh.sh

clean:
	rm -rf $(VENV) .pytest_cache .mypy_cache .ruff_cache .hypothesis build *.egg-info
