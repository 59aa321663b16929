# Two commands for a newcomer: `make demo` and `make test`. Each makes the environment if it is missing.
PYTHON ?= python3
BIN := .venv/bin
READY := .venv/ready

# A measured drift that no one simulated; its archive is LGPL, so it is fetched and not kept here.
TRACE := .venv/traces/ocxo_frequency.txt

.PHONY: setup traces demo test lint bench soak-test nightly pictures wheel smoke audit licences release

setup: $(READY)

$(READY): pyproject.toml constraints.txt
	test -x $(BIN)/python || $(PYTHON) -m venv .venv
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt hatchling editables
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt \
		--no-build-isolation -e ".[test,lint,release]"
	touch $(READY)

traces: $(TRACE)

$(TRACE): $(READY)
	mkdir -p $(@D)
	$(BIN)/python -m pip download --quiet --disable-pip-version-check --no-deps --no-binary allantools \
		--dest $(@D) allantools==2024.6
	tar -xzf $(@D)/allantools-2024.6.tar.gz -C $(@D) --strip-components=3 \
		allantools-2024.6/tests/ocxo/ocxo_frequency.txt
	touch $@

# The demo's amplifier has a fault, so it ends with 1: that is the right answer here.
demo: $(READY)
	$(BIN)/soakbench demo --out out/demo --force || test $$? -eq 1

test: $(READY)
	SOAKBENCH_OCXO=$(TRACE) $(BIN)/python -m pytest

lint: $(READY)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/mypy soakbench.py
	$(BIN)/lint-imports

bench: $(READY)
	$(BIN)/python -m benchmarks.measure
	$(BIN)/python -m benchmarks.tables

# Days of soak, faults on purpose, within the hour. What passed with this code is passed over, here and below.
soak-test: $(READY)
	$(BIN)/python -m benchmarks.soak_test

# Bad input by the ten thousand, and the long form of every other test that has one.
nightly: $(READY)
	$(BIN)/python -m benchmarks.soak_test --nightly

# Wheel and sdist in dist/, built again and compared to the byte.
wheel: $(READY)
	$(BIN)/python -m release.build wheel

# What a new environment makes of the wheel; its dependencies come over the network or from pip's cache.
smoke: $(READY)
	$(BIN)/python -m release.build smoke

# Needs the network: what is known against the pinned versions.
audit: $(READY)
	$(BIN)/python -m release.audit

# docs/licences.md anew, once constraints.txt has changed.
licences: $(READY)
	$(BIN)/python -m release.licences

# Wheel, sdist, bill of materials and sums in dist/, of what is committed.
release: $(READY)
	$(BIN)/python -m release.build release

# The pictures of README and docs, anew: look at them before they are kept.
pictures: $(READY)
	$(BIN)/python tests/live_picture.py
