# Two commands do all the set-up in a fresh clone: `make demo` and `make test`.
PYTHON ?= python3
VENV ?= .venv
BIN := $(VENV)/bin
OUT ?= demo
# Versions come from constraints.txt; the address of the package index comes from the machine, never from here.
# What is never imported need not be compiled: two thirds of the time of an installation.
PIP := $(BIN)/python -m pip install --quiet --disable-pip-version-check --no-compile --constraint constraints.txt

.PHONY: demo test lint docs lock system system-test clean

demo: system $(VENV)/.demo
	$(BIN)/olivetime demo --out $(OUT)

test: system-test $(VENV)/.test
	$(BIN)/ruff check .
	$(BIN)/python -m pytest -n 2 --dist loadfile --no-loadscope-reorder

lint: $(VENV)/.test
	$(BIN)/ruff check .
	$(BIN)/mypy

$(VENV)/bin/python:
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-compile --upgrade "pip>=25"  # older ones misread newer wheels

$(VENV)/.demo: pyproject.toml constraints.txt $(VENV)/bin/python
	$(PIP) --editable ".[lab]"
	@touch $@

$(VENV)/.test: pyproject.toml constraints.txt $(VENV)/bin/python
	$(PIP) --editable ".[dev]"
	@touch $@

# PDFs need the Pango library; browser tests need Chromium. Both are installed where this user may do so, and
# said plainly where not: nothing else depends on them.
system:
	@sh scripts/system-packages.sh pango

system-test:
	@sh scripts/system-packages.sh pango chromium

# Renew the documentation pages that are made from the code.
docs: $(VENV)/.test
	$(BIN)/python scripts/records_page.py
	$(BIN)/python scripts/messy_page.py
	$(BIN)/python scripts/reference_page.py

# Renew the lock file after a change of dependencies (needs uv; writes no index address).
lock:
	uv pip compile pyproject.toml --all-extras --universal --python-version 3.11 --no-header --no-annotate \
		--upgrade -o constraints.txt

clean:
	rm -rf $(VENV) $(OUT) dist build .pytest_cache .ruff_cache .mypy_cache .hypothesis
