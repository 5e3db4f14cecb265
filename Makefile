# Everything a fresh machine needs: `make demo`, `make test`.
PYTHON ?= python3
VENV ?= .venv
LOWEST := $(VENV)-lowest
BIN := $(VENV)/bin
STAMP := $(VENV)/.installed
# Tests start the command hundreds of times: what it is compiled to is kept, whatever the shell says.
unexport PYTHONDONTWRITEBYTECODE

help: ## Print this list
	@grep -hE '^[a-z-]+:.*## ' $(MAKEFILE_LIST) | sort | sed -E 's/:.*## /\t/' | expand -t 12

$(STAMP): pyproject.toml
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e ".[dev]"
	@touch $@

install: $(STAMP) ## Make the environment and install skyplumb into it

demo: $(STAMP) ## Simulate a card, audit it and print where the page is
	@test -e demo-card/truth.json || echo "simulating a card of 42 frames in demo-card, some minutes"
	@test -e demo-card/truth.json || $(BIN)/skyplumb demo --out demo-card
	@echo "auditing it; the first audit also makes star patterns"
	$(BIN)/skyplumb audit demo-card/card --out demo-audit
	@echo "the command is $(BIN)/skyplumb"

test: $(STAMP) ## Run the tests, but for those that take most of a second or more each
	$(BIN)/python -m pytest -n auto --dist worksteal --durations=10 -m "not broad and not slow"

slow: $(STAMP) ## Run those: saved nights, whole audits, kills, many draws
	$(BIN)/python -m pytest -n auto --dist worksteal --durations=10 -m "broad or slow"

demo-table: demo ## Compare every digit of the demo's table with the saved one
	$(BIN)/python -m tests.demo_table demo-audit

check: $(STAMP) ## What CI runs besides the tests: style and types
	$(BIN)/ruff format --check pipeline tests
	$(BIN)/ruff check pipeline tests
	$(BIN)/mypy pipeline/skyplumb
	$(BIN)/mypy --platform win32 pipeline/skyplumb
	$(BIN)/mypy --platform darwin pipeline/skyplumb

bench: $(STAMP) ## Measure accuracy against drawn truth and the cost of a frame; print tables
	$(BIN)/python -m tests.bench
	$(BIN)/python -m tests.bench.causes
	$(BIN)/python -m tests.bench.mounts
	$(BIN)/python -m tests.bench.placements
	$(BIN)/python -m tests.bench.judging
	$(BIN)/python -m tests.bench.clearness
	$(BIN)/python -m tests.bench.dropouts
	$(BIN)/python -m tests.bench.lot
	$(BIN)/python -m tests.bench.clocks
	$(BIN)/python -m tests.bench.honesty
	$(BIN)/python -m tests.bench.check
	$(BIN)/python -m tests.bench.watch
	$(BIN)/python -m tests.bench.shape_laws
	$(BIN)/python -m tests.bench.gear
	$(BIN)/python -m tests.bench.page

shipped: $(STAMP) ## Make again what stands in reports/ and is made from code
	$(BIN)/python -m tests.shipped
	@test -e demo-audit || echo "no demo-audit: README's picture is left as it is; make demo first"

fuzz: $(STAMP) ## Damage small files in thousands of ways, measure and audit them; print what was lost
	$(BIN)/python -m tests.fuzz

kernels: $(STAMP) ## Measure and audit under each kernel of the linear-algebra library that this processor can run
	$(BIN)/python -m tests.kernels

# The quick ones, and one audit of a card from the first byte to the last digit.
FAST := tests/intake tests/night tests/demo tests/measure/test_decode.py tests/output/test_outputs.py \
	tests/season/test_few_nights.py tests/audit/test_saved_tables.py tests/test_rowwise.py

lowest: ## Install the lowest versions that pyproject.toml allows and run the quick tests with them
	$(PYTHON) -m venv $(LOWEST)
	$(LOWEST)/bin/python -m pip install --quiet --disable-pip-version-check uv
	$(LOWEST)/bin/uv pip compile --quiet --python $(LOWEST)/bin/python --resolution lowest-direct \
		--extra demo --extra cluster pyproject.toml -o $(LOWEST)/lowest.txt
	$(LOWEST)/bin/uv pip install --quiet --python $(LOWEST)/bin/python -c $(LOWEST)/lowest.txt -e ".[dev]"
	$(LOWEST)/bin/python -m pytest -n auto --dist worksteal $(FAST)

mutants: $(STAMP) ## Change 300 lines by lot, one at a time; print how many of them the tests notice
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e ".[mutants]"
	$(BIN)/python -m tests.mutants

clean: ## Remove the environment, the demo and all caches
	rm -rf $(VENV) $(LOWEST) demo-card demo-audit bench-out fuzz-out .pytest_cache .mypy_cache .ruff_cache

.PHONY: help install demo demo-table test slow check bench shipped fuzz kernels lowest mutants clean
