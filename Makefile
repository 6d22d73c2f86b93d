# The two commands of the README are `make demo` and `make test`. Each sets up what it needs; a second run needs no network.

PYTHON ?= python3
PYTEST_WORKERS ?= 2
RUN := .venv/bin/python

.PHONY: help demo test lint bench lock clean

help:
	@echo "make demo    set up, then play the demo shift from sound and pictures to the lead's page"
	@echo "make test    set up, then check style and types and run all tests (TESTS=tests/domain for a part)"
	@echo "make lint    style and types only"
	@echo "make bench   measure; a table, and build/bench.json (ONLY=tags for a part)"
	@echo "make lock    resolve the lock files anew from pyproject.toml (UPGRADE=1 takes newer versions)"
	@echo "make clean   remove what the other commands made"

demo:
	@PYTHON="$(PYTHON)" sh tests/tools/environment.sh demo
	@.venv/bin/benchcall demo

test:
	@begun=$$(date +%s) && PYTHON="$(PYTHON)" sh tests/tools/environment.sh test && \
	$(RUN) tests/tools/parts.py --begun "$$begun" --workers "$(PYTEST_WORKERS)" $(TESTS)

lint:
	@PYTHON="$(PYTHON)" sh tests/tools/environment.sh test
	@$(RUN) tests/tools/parts.py --lint-only

bench:
	@PYTHON="$(PYTHON)" sh tests/tools/environment.sh test
	@$(RUN) -m tests.bench $(if $(ONLY),--only "$(ONLY)")

lock:
	@$(PYTHON) -m venv build/uv && build/uv/bin/python -m pip install --quiet uv==0.13.9
	@PATH="$$PWD/build/uv/bin:$$PATH" $(PYTHON) tests/tools/lock.py $(if $(UPGRADE),--upgrade)

clean:
	rm -rf .venv build benchcall.egg-info .mypy_cache .ruff_cache .pytest_cache .hypothesis
	find capture hardware server tests -name __pycache__ -type d -prune -exec rm -rf {} +
