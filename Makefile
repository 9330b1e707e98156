# Everything a fresh machine needs: Python 3.11 or newer and make.
PYTHON ?= python3
ENVIRONMENT := .venv
BIN := $(ENVIRONMENT)/bin
INSTALLED := $(ENVIRONMENT)/installed
# A file stays in one process; in which order they come, tests/conftest.py says.
PARALLEL := --numprocesses auto --dist loadfile --no-loadscope-reorder
# Some machines ask for no bytecode to be kept: every process of a run would compile the package and its tests anew.
unexport PYTHONDONTWRITEBYTECODE

.PHONY: demo test types tests properties bench docs tutorial fuzz oldest newest clean

# Not compiled as they are installed: of most packages little is ever loaded.
$(INSTALLED): pyproject.toml
	$(PYTHON) -m venv $(ENVIRONMENT)
	$(BIN)/python -m pip install --quiet --no-compile --editable '.[test]'
	touch $@

# The main job on the bundled target, its box solved first, into demo/; a run that stopped goes on.
demo: $(INSTALLED)
	$(BIN)/evenflare search targets/shelf.toml --out demo

test: $(INSTALLED)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(MAKE) --no-print-directory --jobs 2 types tests

# Side by side: types take a single core for half a minute.
types: $(INSTALLED)
	$(BIN)/mypy

tests: $(INSTALLED)
	$(BIN)/pytest $(PARALLEL)

# The tests of properties with examples that no run has seen.
properties: $(INSTALLED)
	PROPERTIES=random $(BIN)/pytest $(PARALLEL) $$(grep -l hypothesis tests/test_*.py)

# Times as ratios within one run, and errors against converged solutions; kept in docs/accuracy.md.
bench: $(INSTALLED)
	$(BIN)/python tests/benchmark.py

# A hundred thousand mutated files against every reader, about an hour; what is found is kept in fuzz-found/.
fuzz: SEED ?= 1
fuzz: COUNT ?= 100000
fuzz: $(INSTALLED)
	$(BIN)/python tests/fuzzing.py --seed $(SEED) --count $(COUNT)

# The pages' lists of keys and columns, after a change of a schema or of docs/meanings.toml.
docs: $(INSTALLED)
	$(BIN)/python tests/documents.py

# The tutorial carried out, for its pictures and for the columns of every table; then the same.
tutorial: $(INSTALLED)
	$(BIN)/python tests/tutorial.py

# Every command once, with the lowest versions that pyproject.toml allows (these ask for Python 3.11), and with the newest
# there are (make newest NEWEST=python3.13; after `make clean` they are looked for anew). Old libraries warn of what newer
# ones have changed: that is no error.
OLDEST ?= python3.11
NEWEST ?= $(PYTHON)

.venv-oldest/installed: pyproject.toml
	$(OLDEST) -m venv .venv-oldest
	$(OLDEST) .ci/floors.py > .venv-oldest/floors.txt
	.venv-oldest/bin/python -m pip install --quiet --no-compile --constraint .venv-oldest/floors.txt --editable . pytest hypothesis
	touch $@

.venv-newest/installed: pyproject.toml
	$(NEWEST) -m venv .venv-newest
	.venv-newest/bin/python -m pip install --quiet --no-compile --upgrade --editable . pytest hypothesis
	touch $@

oldest: .venv-oldest/installed
	NUMBA_CACHE_DIR=$(CURDIR)/.venv-oldest/compiled \
	.venv-oldest/bin/pytest -W default -p no:cacheprovider tests/test_whole_chain.py

newest: .venv-newest/installed
	NUMBA_CACHE_DIR=$(CURDIR)/.venv-newest/compiled \
	.venv-newest/bin/pytest -p no:cacheprovider tests/test_whole_chain.py

clean:
	rm -rf $(ENVIRONMENT) .venv-oldest .venv-newest demo fuzz-found newest.log
