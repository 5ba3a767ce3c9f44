# Each target sets a bare machine up by itself; see docs/changing.md.
SHELL := /bin/bash
PY ?= python3
VENV := .venv
BIN := $(VENV)/bin
ARGS ?=
export NUMBA_CACHE_DIR := $(CURDIR)/.numba_cache

.PHONY: help system venv demo test lint bench clean

help:
	@echo "make demo   one night from end to end, without hardware"
	@echo "make test   all tests; ARGS='tests/standards -q' goes to pytest"
	@echo "make lint   style, types and the floors of the house"
	@echo "make bench  measured speeds; ARGS='signal' picks one"

system:
	@bash tools/system-packages.sh $(SYSTEM_FOR)

$(VENV)/.ready: pyproject.toml constraints.txt
	@$(PY) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { echo "Nightreel needs Python 3.11 or newer; PY=/path/to/python3.11 make ... picks one."; exit 1; }
	@test -x $(BIN)/python || $(PY) -m venv $(VENV) || { echo "Python's venv module is missing: install python3-venv."; exit 1; }
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt -e '.[dev]'
	@touch $@

venv: $(VENV)/.ready

demo: SYSTEM_FOR = demo
demo: system venv
	@$(BIN)/nightreel demo --again $(ARGS)

test: SYSTEM_FOR = test
test: system venv
	@$(MAKE) --no-print-directory lint
	@$(BIN)/python -m pytest $(ARGS)

lint: venv
	@$(BIN)/ruff check src tests bench tools
	@$(BIN)/ruff format --check src tests bench tools
	@$(BIN)/mypy
	@$(BIN)/lint-imports

bench: venv
	@$(BIN)/python -m bench $(ARGS)

clean:
	rm -rf $(VENV) .numba_cache .pytest_cache .mypy_cache .ruff_cache demo-show
