# Everything a fresh machine needs: Python 3.11 or newer and make.
PYTHON ?= python3
ENVIRONMENT := .venv
BIN := $(ENVIRONMENT)/bin
INSTALLED := $(ENVIRONMENT)/installed

.PHONY: demo test bench fuzz clean

$(INSTALLED): pyproject.toml
	$(PYTHON) -m venv $(ENVIRONMENT)
	$(BIN)/python -m pip install --quiet --editable '.[test]'
	touch $@

# The main job on the bundled target, into demo/; a run that stopped goes on.
demo: $(INSTALLED)
	$(BIN)/evenflare search targets/shelf.toml --out demo

test: $(INSTALLED)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/pytest --numprocesses auto --dist loadfile

# Times as ratios within one run, and errors against converged solutions.
bench: $(INSTALLED)
	$(BIN)/python tests/benchmark.py

# A hundred thousand mutated files against every reader, about an hour; what is found is kept in fuzz-found/.
fuzz: SEED ?= 1
fuzz: COUNT ?= 100000
fuzz: $(INSTALLED)
	$(BIN)/python tests/fuzzing.py --seed $(SEED) --count $(COUNT)

clean:
	rm -rf $(ENVIRONMENT) demo fuzz-found
