# Two commands matter: `make demo` and `make test`. Both set everything up first.
PYTHON ?= $(shell command -v python3.11 || command -v python3)
BIN := .venv/bin
DEMO ?= $(CURDIR)/demo
# What the tests compare against, and what draws names in any script on the sheets.
DEMO_PACKAGES := python3-venv fonts-dejavu-core
TEST_PACKAGES := $(DEMO_PACKAGES) ffmpeg xxhash rsync chromium postgresql exfatprogs exfat-fuse espeak-ng qpdf poppler-utils

.PHONY: demo test lint types bench calibrate screenshots soak mutations system-demo system-test clean lock
.DEFAULT_GOAL := help

help:
	@echo "make demo   set up, offload the sample cards, log, search, hand over"
	@echo "make test   set up (Debian packages included), lint, types, tests"
	@echo "make lint | types | bench | calibrate | screenshots | soak | mutations | lock | clean"

system-demo:
	@.ci/packages $(DEMO_PACKAGES)

system-test:
	@.ci/packages $(TEST_PACKAGES)

.venv/.ready: requirements.lock pyproject.toml
	$(PYTHON) -m venv .venv
	$(BIN)/pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock
	PATH="$(CURDIR)/$(BIN):$$PATH" $(BIN)/pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
	$(BIN)/python -m compileall -q api ingest shared sample_media
	@touch $@

demo: system-demo
	@$(MAKE) --no-print-directory .venv/.ready
	$(BIN)/rushlight demo --into "$(DEMO)"

# In the order of the folders, so that the files of one long test are not what one worker ends with.
test: system-test
	@$(MAKE) --no-print-directory .venv/.ready lint types
	$(BIN)/python -m pytest -n 2 --dist loadfile --no-loadscope-reorder

lint: .venv/.ready
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/lint-imports

types: .venv/.ready
	$(BIN)/mypy

bench: .venv/.ready
	$(BIN)/python -m tests.bench

# Each page at 1440 and 390 pixels, light and dark, for a person to look at.
screenshots: .venv/.ready
	$(BIN)/python -m tests.api.browser.screenshots screenshots

# Labelled clips of photographs: how well hunting focus is found, and what is suggested. About ten minutes.
calibrate: .venv/.ready
	$(BIN)/python -m tests.calibrate

# Long: a thousand kills, a file of five gigabytes, ten thousand histories of a card and its copies, a list of
# a hundred thousand files, takes of half an hour, thousands of broken media files.
soak: .venv/.ready
	SOAK_KILLS=1000 $(BIN)/python -m pytest -n 2 tests/ingest/test_kill.py
	SOAK_LARGE=1 $(BIN)/python -m pytest tests/ingest/test_limits.py
	SOAK_HISTORIES=10000 $(BIN)/python -m pytest tests/ingest/test_verdict.py
	SOAK_RECORDS=100000 $(BIN)/python -m pytest tests/ingest/test_mhl_scale.py
	SOAK_SECONDS=1800 $(BIN)/python -m pytest tests/ingest/test_sync.py
	$(BIN)/python -m tests.soak_media

# Take out each safeguard, one by one, and see that a test notices.
mutations: .venv/.ready
	$(BIN)/python -m tests.mutations

# Written with uv; the result is plain and pip reads it.
lock:
	uv pip compile pyproject.toml --group dev --extra postgresql --extra speech --universal --generate-hashes \
	  --no-emit-index-url --no-annotate --no-header --python-version 3.11 -o requirements.lock

clean:
	rm -rf .venv demo build dist .mypy_cache .ruff_cache .pytest_cache
