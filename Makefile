# make demo | test | lint | bench: each sets up what it needs first. Without make: see DEVELOPERS.md.
PYTHON ?= python3
VENV ?= .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.up-to-date
export OMP_NUM_THREADS ?= 1

.PHONY: setup demo test lint bench bench-peers bench-scaling system clean

setup: $(STAMP)

$(STAMP): pyproject.toml constraints.txt
	test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet -c constraints.txt -e '.[dev]'
	$(BIN)/python -m compileall -q shared calibration pipeline reboundry.py  # where Python may not, it starts slower
	$(BIN)/python -m pipeline.compiled_ready
	touch $@

# A browser for the tests of the review page. Needed by tests only; those skip without it and say so.
system:
	@sh .ci/system-packages

demo: $(STAMP)
	$(BIN)/reboundry demo

lint: $(STAMP)
	$(BIN)/ruff check .
	$(BIN)/mypy

test: $(STAMP) system lint
	$(BIN)/python -m pytest -n auto --dist loadgroup

bench: $(STAMP)
	$(BIN)/python -m tests.bench $(CLIPS)

bench-peers: $(STAMP)
	$(BIN)/python -m tests.bench.peers $(CLIPS)

bench-scaling: $(STAMP)
	$(BIN)/python -m tests.bench.scaling $(SCALE)

clean:
	rm -rf build dist .pytest_cache .mypy_cache .ruff_cache .hypothesis
