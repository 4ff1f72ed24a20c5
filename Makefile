# Every target is a few plain commands; README.md lists them for those without make.
PYTHON ?= python3
BIN = .venv/bin
DEMO = build/demo

.PHONY: help demo test check fix docs benchmarks clean

help: ## list the targets
	@grep -E '^[a-z]+:.*##' $(MAKEFILE_LIST) | sed 's/:.*##/\t/'

.venv/.runtime: pyproject.toml uv.lock
	test -x $(BIN)/python || $(PYTHON) -m venv .venv
	$(BIN)/python -m pip install --quiet --disable-pip-version-check uv
	UV_PROJECT_ENVIRONMENT=.venv $(BIN)/uv sync --quiet --locked --compile-bytecode --no-default-groups --inexact
	@touch $@

.venv/.tests: .venv/.runtime
	UV_PROJECT_ENVIRONMENT=.venv $(BIN)/uv sync --quiet --locked --compile-bytecode --all-groups --inexact
	@touch $@

demo: .venv/.runtime ## build the demo registry and walk through the main job
	rm -rf $(DEMO)
	$(BIN)/scionreg demo $(DEMO)

test: .venv/.tests ## install what the tests need and run them
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/python -m pytest --numprocesses 2 --cov --cov-report=term

check: .venv/.tests ## lint and types only
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

fix: .venv/.tests ## mend what the linter can
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .

docs: .venv/.tests ## write the generated pages of docs/ anew
	$(BIN)/python -m scionreg.reference docs

benchmarks: .venv/.tests ## print speed against named peers (takes a while)
	$(BIN)/python -m benchmarks

clean: ## remove what the other targets made
	rm -rf .venv build dist .pytest_cache .mypy_cache .ruff_cache .hypothesis .coverage*
