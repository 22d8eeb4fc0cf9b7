# The commands of the project. Each sets up what is missing; only Python 3.11 or newer with venv, and make, are needed.
PYTHON ?= python3
BIN := .venv/bin
N ?= 20
SEED ?= 1
NODES ?= 1000
MINUTES ?= 10

.PHONY: demo test serve bench faults simulate modelled branches attack load check format languages lock pictures schema vectors
.DELETE_ON_ERROR:

# Tests and demonstration start hundreds of processes: what one has compiled, the next need not compile again.
unexport PYTHONDONTWRITEBYTECODE

PIP_INSTALL = -m pip install --quiet --disable-pip-version-check --require-hashes --requirement
# The project itself, in place; its dependencies came from the lock.
PIP_PROJECT = -m pip install --quiet --disable-pip-version-check --no-deps --editable .

# What was installed goes to the disk now, and not while a demonstration's journals wait for the same disk.
SETTLE = sync

.venv/server.stamp: server.lock.txt pyproject.toml
	@echo "Setting up the server in .venv (a minute or two, once)"
	@test -x $(BIN)/python || $(PYTHON) -m venv .venv
	@$(BIN)/python $(PIP_INSTALL) server.lock.txt
	@$(BIN)/python $(PIP_PROJECT)
	@$(SETTLE)
	@touch $@

.venv/develop.stamp: develop.lock.txt .venv/server.stamp
	@echo "Setting up the tools of development in .venv (a minute or two, once)"
	@$(BIN)/python $(PIP_INSTALL) develop.lock.txt
	@$(SETTLE)
	@touch $@

.venv-node/node.stamp: node.lock.txt pyproject.toml
	@echo "Setting up a field node in .venv-node, from its own small lock"
	@test -x .venv-node/bin/python || $(PYTHON) -m venv .venv-node
	@.venv-node/bin/python $(PIP_INSTALL) node.lock.txt
	@.venv-node/bin/python $(PIP_PROJECT)
	@$(SETTLE)
	@touch $@

# FLEET=1 plays it on PostgreSQL, Redis, workers, a beat and two processes that answer calls.
demo: $(if $(FLEET),.venv/develop.stamp,.venv/server.stamp) .venv-node/node.stamp
	@$(BIN)/python -m $(if $(FLEET),tests.fleet_demonstration,server.demo) $(if $(EXIT),--exit)

serve: .venv/server.stamp
	@$(BIN)/dayroll serve

test: .venv/develop.stamp .venv-node/node.stamp
	@$(BIN)/python -m pytest -n 2 $(ARGS)

bench: .venv/develop.stamp
	@$(BIN)/python -m tests.benchmarks

# The seed of a scenario that broke plays it again: python -m tests.faults --only SEED
faults: .venv/server.stamp .venv-node/node.stamp
	@$(BIN)/python -m tests.faults --scenarios $(N) --seed $(SEED)

# Scenarios as above, in one process under virtual time: a seed gives the same bytes each time.
simulate: .venv/develop.stamp
	@$(BIN)/python -m tests.simulated --scenarios $(N) --seed $(SEED)

# Hours of a node beside a model of the server: no more of the world than a node sees, and many more of them.
modelled: .venv/develop.stamp
	@$(BIN)/python -m tests.modelled --scenarios $(N) --seed $(SEED)

# The power goes at every place where it may.
branches: .venv/develop.stamp
	@$(BIN)/python -m tests.simulated.branching

# Only ever against the server that it starts itself. ARGS=--short has shorter storms and fewer files.
attack: .venv/develop.stamp
	@$(BIN)/python -m tests.attack $(ARGS)

# Many honest nodes at a server that it starts itself. ARGS=--fleet has that on PostgreSQL, Redis and workers.
load: .venv/develop.stamp
	@$(BIN)/python -m tests.load --nodes $(NODES) --minutes $(MINUTES) $(ARGS)

check: .venv/develop.stamp
	@$(BIN)/ruff format --check .
	@$(BIN)/ruff check .
	@$(BIN)/mypy
	@$(BIN)/lint-imports
	@$(BIN)/deptry .
	@$(BIN)/python -m tests.audit

format: .venv/develop.stamp
	@$(BIN)/ruff format .
	@$(BIN)/ruff check --fix .

# What pages say anew goes into the catalogues, to be translated there; then once more, to compile it.
languages: .venv/develop.stamp
	@$(BIN)/python -m tests.languages

UV_LOCK = $(BIN)/uv pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-annotate \
	--no-emit-index-url --custom-compile-command 'make lock'

lock: .venv/develop.stamp
	@$(UV_LOCK) pyproject.toml -o node.lock.txt
	@$(UV_LOCK) --extra server -c node.lock.txt pyproject.toml -o server.lock.txt
	@$(UV_LOCK) --extra server --group develop -c server.lock.txt pyproject.toml -o develop.lock.txt

# Needs Chromium; the README shows what this makes.
pictures: .venv/develop.stamp .venv-node/node.stamp
	@$(BIN)/python -m tests.browser.readme_pictures

# What the contract of a node says, in numbers, for nodes that others write.
vectors: .venv/develop.stamp
	@$(BIN)/python -m tests.node_vectors

# At a release: the API's description of then, against which each change is held by the tests.
schema: .venv/develop.stamp
	@$(BIN)/python -m tests.api_stability --write
