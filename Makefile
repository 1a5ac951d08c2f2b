# `make help` lists the tasks. On Windows use the PowerShell lines in README.md.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/ready

.DEFAULT_GOAL := help
.PHONY: help setup demo test bench endurance lint types

help:  ## this list
	@awk -F ':.*## ' '/^[a-z]+:.*## / { printf "%-8s %s\n", $$1, $$2 }' $(MAKEFILE_LIST)

setup: $(READY)  ## an environment in .venv with everything that is needed, at the pinned versions

$(READY): pyproject.toml constraints.txt
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt -e '.[dev]'
	touch $(READY)

demo: $(READY)  ## the sample plant in demo-plant/, loaded, and the account of its last shift
	$(BIN)/taktbook demo

test: $(READY)  ## all tests; the page tests drive Debian's chromium
	$(BIN)/python -m pytest -n auto --dist loadfile

bench: $(READY)  ## how fast loading and the analysis of a cell are, as ratios to plain ways (takes minutes)
	$(BIN)/python tests/bench/bench_load.py
	$(BIN)/python tests/bench/bench_formats.py
	$(BIN)/python tests/bench/bench_analysis.py

endurance: $(READY)  ## ten minutes of 2,000 lines a second into files that turn over: nothing lost, how late
	$(BIN)/python tests/bench/bench_follow.py

lint: $(READY)  ## ruff
	$(BIN)/ruff check .

types: $(READY)  ## mypy, strict
	$(BIN)/mypy
