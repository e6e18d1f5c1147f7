# Two commands are all a newcomer needs: `make demo` and `make test`.
#   make demo          a living radio network on this machine, no hardware
#   make test          everything that is checked
#   make test VENV=d   the same in the environment d, used exactly as it is

PYTHON ?= python3
VENV ?= .venv
BIN := $(VENV)/bin
GIVEN := $(findstring command line,$(origin VENV))

.PHONY: demo test check clean
.DEFAULT_GOAL := demo

demo: $(VENV)/.installed
	$(BIN)/tallymast demo $(if $(PORT),--port $(PORT)) $(if $(DATA),--data-dir $(DATA))

test: $(if $(GIVEN),,$(VENV)/.installed-for-tests)
	$(BIN)/python -m ruff check server tests
	$(BIN)/python -m ruff format --check server tests
	$(BIN)/python -m mypy
	$(BIN)/python tests/halves.py

$(VENV)/.installed: pyproject.toml
	test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e .
	touch $@

$(VENV)/.installed-for-tests: pyproject.toml
	test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -e '.[test]'
	touch $@ $(VENV)/.installed

clean:
	rm -rf $(VENV) dist build .pytest_cache .mypy_cache .ruff_cache .hypothesis
