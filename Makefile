# What a newcomer needs: `make demo` and `make test`. Both make their own environment in .venv.

PYTHON ?= python3
VENV ?= .venv
JOBS ?= 4
SOURCES := pyproject.toml README.md $(shell find depotserve -type f -not -name '*.pyc')

.PHONY: demo test lint bench bench-quick clean

demo: $(VENV)/installed
	@$(VENV)/bin/depotserve demo --dir demo

# pytest is started by its script, so that the installed wheel is what is tested.
test: $(VENV)/installed-for-tests
	$(VENV)/bin/pytest -n $(JOBS) --dist worksteal $(PYTEST_ARGS)

lint: $(VENV)/installed-for-tests
	$(VENV)/bin/ruff check .
	$(VENV)/bin/ruff format --check .
	$(VENV)/bin/mypy

# Measures the installed wheel beside its references: some 35 minutes, or one with `bench-quick`.
bench: $(VENV)/installed-for-bench
	$(VENV)/bin/python tests/bench $(BENCH_ARGS)

bench-quick: $(VENV)/installed-for-bench
	$(VENV)/bin/python tests/bench --quick $(BENCH_ARGS)

$(VENV)/installed: $(SOURCES) | $(VENV)/bin/python
	rm -rf build
	$(VENV)/bin/pip install --quiet --disable-pip-version-check .
	touch $@

$(VENV)/installed-for-tests: $(SOURCES) | $(VENV)/bin/python
	rm -rf build
	$(VENV)/bin/pip install --quiet --disable-pip-version-check '.[test]'
	touch $@ $(VENV)/installed

$(VENV)/installed-for-bench: $(SOURCES) | $(VENV)/bin/python
	rm -rf build
	$(VENV)/bin/pip install --quiet --disable-pip-version-check '.[bench]'
	touch $@ $(VENV)/installed

$(VENV)/bin/python:
	$(PYTHON) -m venv $(VENV)

clean:
	rm -rf $(VENV) build dist demo *.egg-info
