# Two commands do all set-up on a fresh machine: `make demo` and `make test`.
PYTHON ?= python3
VENV ?= .venv
PY := $(VENV)/bin/python
STAMP := $(VENV)/.installed

.DEFAULT_GOAL := help
.PHONY: help install demo test lint check bench pack clean

help:  ## list the targets
	@grep -hE '^[a-z]+:.*##' $(MAKEFILE_LIST) | sed 's/:.*##/\t/' | expand -t 12

$(STAMP): pyproject.toml CMakeLists.txt $(wildcard src/kernel/*)
	$(PYTHON) -m venv $(VENV)
	$(PY) -m pip install --upgrade pip
	$(PY) -m pip install --editable '.[dev]'
	@touch $@

install: $(STAMP)  ## build the virtual environment and the compiled kernel

demo: $(STAMP)  ## the main job end to end on the embedded English pack
	$(PY) examples/demo.py --out demo-out

test: $(STAMP)  ## all tests
	$(PY) -m pytest -n 2 --durations=10

lint: $(STAMP)  ## style, types, import contracts
	$(VENV)/bin/ruff check .
	$(VENV)/bin/mypy
	$(VENV)/bin/lint-imports

check: lint test  ## what continuous integration runs

clean:  ## remove what the other targets made
	rm -rf $(VENV) build dist demo-out .mypy_cache .ruff_cache .pytest_cache .hypothesis
