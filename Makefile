# `make demo` and `make test` set up all they need: Python 3.11 or newer with pip, or uv.

SHELL := /bin/bash
VENV := .venv
BIN := $(VENV)/bin
PYTHON ?= $(shell for name in python3 python3.14 python3.13 python3.12 python3.11 python; do \
	$$name -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null && echo $$name && break; done)
UV := $(shell command -v uv 2>/dev/null)

.PHONY: faults fuzz guard costs lock audit licences help demo test check slow lint types contracts format bench lab wheel clean

help:
	@echo 'make demo    watch a simulated evening (ARGS="--headless --speed max" for none of the screen)'
	@echo 'make test    run the tests'
	@echo 'make check   lint, types, import rules, tests: what a change has to pass'
	@echo 'make slow    the tests that take minutes'
	@echo 'make bench   the scoreboard of findings: benches of known truth, half a minute (ARGS= for all of it)'
	@echo 'make lab     the sources against real radio stacks; LAB=FOLDER names the lab, see tests/lab/README.md'
	@echo 'make faults  kills, power losses, bad disks and radios, bounded (ARGS=--long: hours)'
	@echo 'make fuzz    every reader of foreign bytes (ARGS="--inputs 10000000" for a release)'
	@echo 'make guard   have the costs grown? ratios only; make costs for the tables'
	@echo 'make lock    pin what is needed, with hashes; make audit, make licences look through it'
	@echo 'make wheel   build the package into dist/'

demo: $(VENV)/.run
	@$(BIN)/plumbwatt demo $(ARGS)

# On all cores; `pytest` alone takes them one after the other, in one process.
test: $(VENV)/.dev
	$(BIN)/python -m pytest -q -n auto $(ARGS)

slow: $(VENV)/.dev
	$(BIN)/python -m pytest -q -n auto -m slow $(ARGS)

check: lint types contracts test

lint: $(VENV)/.dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

types: $(VENV)/.dev
	$(BIN)/mypy

contracts: $(VENV)/.dev
	$(BIN)/lint-imports --no-logo

format: $(VENV)/.dev
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .

bench: ARGS ?= --quick
bench: $(VENV)/.dev
	$(BIN)/python -m tests.benchmarks.detection $(ARGS)

lab: $(VENV)/.dev
	@test -n "$(LAB)" || { echo 'Name the folder of the lab: make lab LAB=FOLDER. See tests/lab/README.md.' >&2; exit 1; }
	$(BIN)/python tests/lab/bluetooth_lab.py --lab $(LAB) $(ARGS)
	$(BIN)/python tests/lab/ant_lab.py basic dropout crowd pulled any-one found too-many --lab $(LAB) $(ARGS)

faults: $(VENV)/.dev
	$(BIN)/python -m pytest -q tests/faults $(ARGS)

fuzz: $(VENV)/.dev
	$(BIN)/python -m tests.fuzz $(ARGS)

guard: $(VENV)/.dev
	$(BIN)/python -m tests.benchmarks.performance.guard $(ARGS)

costs: $(VENV)/.dev
	$(BIN)/python -m tests.benchmarks.performance $(ARGS)

# Installed into a folder of their own: they are no part of what is locked.
TOOLS := $(VENV)/tools
COMPILE = $(TOOLS)/bin/uv pip compile --quiet --universal --generate-hashes --no-emit-index-url --no-header \
	--python-version 3.11 pyproject.toml --extra ride-files --extra serve

lock: $(TOOLS)/.made
	$(COMPILE) --output-file requirements.lock $(ARGS)
	$(COMPILE) --extra dev --output-file requirements-dev.lock $(ARGS)

audit: $(TOOLS)/.made
	$(PYTHON) .ci/audit.py --tool $(TOOLS)/bin/pip-audit requirements.lock requirements-dev.lock $(ARGS)

licences: $(VENV)/.dev
	$(BIN)/python .ci/licences.py requirements.lock
	$(BIN)/python .ci/licences.py requirements-dev.lock

$(TOOLS)/.made: | $(BIN)/python
	$(PYTHON) -m venv $(TOOLS)
	$(TOOLS)/bin/python -m pip install --quiet --disable-pip-version-check uv pip-audit
	@touch $@

wheel: $(VENV)/.dev
	$(BIN)/python -m build --wheel --outdir dist

clean:
	rm -rf $(VENV) dist .pytest_cache .mypy_cache .ruff_cache .hypothesis .import_linter_cache

# The stamps are renewed when pyproject.toml changes.
$(VENV)/.run: pyproject.toml | $(BIN)/python
	@echo 'installing plumbwatt into $(VENV) ...' >&2
	@$(call install,.[ride-files])
	@touch $@

$(VENV)/.dev: pyproject.toml | $(BIN)/python
	@echo 'installing plumbwatt and the tools for its tests into $(VENV) ...' >&2
	@$(call install,.[dev])
	@touch $@ $(VENV)/.run

# Some systems split venv's own pip off: then the pip of the system installs into it.
$(BIN)/python:
ifneq ($(UV),)
	@$(UV) venv --quiet --python '>=3.11' $(VENV)
else ifeq ($(PYTHON),)
	@echo 'Python 3.11 or newer is needed and was not found (python3 --version).' >&2; exit 1
else
	@$(PYTHON) -m venv $(VENV) >/dev/null 2>&1 || { rm -rf $(VENV); $(PYTHON) -m venv --without-pip $(VENV); } \
		|| { echo 'Making $(VENV) failed: install the venv module of $(PYTHON), or uv.' >&2; exit 1; }
endif

ifneq ($(UV),)
install = $(UV) pip install --quiet --python $(BIN)/python --editable '$(1)'
else
install = if $(BIN)/python -m pip --version >/dev/null 2>&1; \
	then $(BIN)/python -m pip install --quiet --disable-pip-version-check --editable '$(1)'; \
	else $(PYTHON) -m pip --python $(BIN)/python install --quiet --disable-pip-version-check --editable '$(1)'; fi
endif
