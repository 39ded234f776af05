# Two commands matter: `make demo` and `make test`. Each sets up what it needs, once.
SHELL := /bin/bash
.SHELLFLAGS := -eu -o pipefail -c
.DEFAULT_GOAL := help
.PHONY: help demo test check format bench bench-intake bench-forecast bench-windows bench-yard soak fuzz mutants coverage pictures wheel clean

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
ARGS ?=
JOBS ?= 2
BENCHES := air_rate gel_surface cure_rate intake idle quality_flags window_rate forward_rate outlook screens phone

help: ## say what there is
	@grep -hE '^[a-z-]+:.*## ' $(MAKEFILE_LIST) | sed -E 's/^([a-z-]+):.*## /  make \1\t/' | expand -t 22

demo: $(VENV)/.run ## a simulated shed, live, in one command (ARGS='--for 30 --plain' for scripts)
	@$(BIN)/layday demo $(ARGS)

test: $(VENV)/.test ## every test, with a real broker and real clients
	@.ci/debian
	@$(BIN)/python -m pytest -n $(JOBS) --dist worksteal $(ARGS)

check: $(VENV)/.test ## style, types, and which room may import which
	@$(BIN)/ruff check .
	@$(BIN)/ruff format --check .
	@$(BIN)/python -m mypy
	@$(BIN)/lint-imports

format: $(VENV)/.test ## put the code in its usual form
	@$(BIN)/ruff format .
	@$(BIN)/ruff check --fix .

bench: $(VENV)/.test ## print the measured tables (half an hour; the forecast's and windows' in short)
	@.ci/debian
	@for bench in $(BENCHES) "forecast_skill --quick --jobs $(JOBS)" "store_rows 2000000" "windows --rows 1 bedtime 'decisions table'"; do \
	    echo; echo "== python -m tests.bench.$$bench"; eval "$(BIN)/python -m tests.bench.$$bench"; done

bench-intake: $(VENV)/.test ## print what taking readings costs, beside plain clients
	@.ci/debian
	@$(BIN)/python -m tests.bench.intake $(ARGS)

bench-forecast: $(VENV)/.test ## score the forecasts on measured data (an hour; goes on where it was stopped; ARGS=--quick)
	@$(BIN)/python -m tests.bench.forecast_skill --jobs $(JOBS) $(ARGS)

bench-windows: $(VENV)/.test ## score decisions to start a job on measured data
	@$(BIN)/python -m tests.bench.windows $(ARGS)

bench-yard: $(VENV)/.test ## run a simulated yard of 200 sheds into one central store
	@.ci/debian
	@$(BIN)/python -m tests.bench.yard $(ARGS)

soak: $(VENV)/.test ## an hour of traffic, bad payloads, broker restarts and clock jumps (ARGS='--minutes 10')
	@.ci/debian
	@$(BIN)/python -m tests.soak $(ARGS)

fuzz: $(VENV)/.test ## throw a million inputs each at the listener and the payload readers
	@$(BIN)/python -m tests.fuzz.listener --inputs 1000000
	@$(BIN)/python -m tests.fuzz.payloads --inputs 1000000

mutants: $(VENV)/.test ## break air, cure, window and intake one thing at a time; the tests must notice (hours)
	@nice $(BIN)/python -m tests.mutants $(ARGS)

coverage: $(VENV)/.test ## count the lines and branches that the tests reach, in the processes they start too
	@.ci/debian
	@$(BIN)/python -m coverage erase
	-@$(BIN)/python -m coverage run -m pytest -n $(JOBS) --dist worksteal $(ARGS)
	@$(BIN)/python -m coverage combine --quiet
	@$(BIN)/python -m tests.covered

pictures: $(VENV)/.test ## draw the README's pictures and ask its questions again
	@.ci/debian
	@$(BIN)/python -m tests.pictures
	@$(BIN)/python -m hardware.node.drawings
	@$(BIN)/python -m tests.questions
	@$(BIN)/python -m tests.schemas

wheel: $(VENV)/.run ## build dist/layday-*.whl
	@$(BIN)/python -m pip wheel --quiet --no-deps --wheel-dir dist .

clean: ## forget everything that was set up or built
	rm -rf $(VENV) dist build .mypy_cache .ruff_cache .pytest_cache .hypothesis .coverage* .import_linter_cache

$(VENV)/.run: pyproject.toml
	@.ci/venv $(PYTHON) $(VENV)
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable .
	@touch $@

$(VENV)/.test: pyproject.toml $(VENV)/.run
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable '.[test]'
	@touch $@
