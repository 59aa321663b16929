# Two commands for a newcomer: `make demo` and `make test`. Each makes the environment if it is missing.
PYTHON ?= python3
BIN := .venv/bin
READY := .venv/ready

.PHONY: setup demo test lint bench

setup: $(READY)

$(READY): pyproject.toml constraints.txt
	test -x $(BIN)/python || $(PYTHON) -m venv .venv
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt hatchling editables
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt \
		--no-build-isolation -e ".[test,lint]"
	touch $(READY)

# The demo's amplifier has a fault, so it ends with 1: that is the right answer here.
demo: $(READY)
	$(BIN)/soakbench demo --out out/demo --force || test $$? -eq 1

test: $(READY)
	$(BIN)/python -m pytest

lint: $(READY)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/mypy soakbench.py
	$(BIN)/lint-imports

bench: $(READY)
	$(BIN)/python -m benchmarks.measure
