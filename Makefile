# Each target does all its own set-up: environment, install, compiled code.
#
#   make compare    the main job on the demo schedules; report in out/
#   make test       every test
#   make warm       only prepare the compiled code
#   make clean      remove what the targets above made
#
# Another interpreter: make compare PYTHON=python3.12

PYTHON ?= python3
SCHEDULES ?= $(addprefix demo_data/schedules/dt1_,standard.toml faster.toml too_fast.toml)
OUT ?= out

ENVIRONMENT := .venv
BIN := $(ENVIRONMENT)/bin
INSTALLED := $(ENVIRONMENT)/installed
TESTERS := $(ENVIRONMENT)/testers-installed
WARMED := $(ENVIRONMENT)/warmed
COMPILED := exhaustsim/compiled.py exhaustsim/constants.py $(wildcard exhaustsim/physics/*.py exhaustsim/engine/*.py)

# Small dense matrices only: more than one thread per process makes linear algebra slower here.
export OPENBLAS_NUM_THREADS := 1
export OMP_NUM_THREADS := 1
export MKL_NUM_THREADS := 1

.PHONY: compare test warm clean
.DELETE_ON_ERROR:

compare: $(WARMED)
	$(BIN)/exhaustsim compare $(SCHEDULES) --out $(OUT)

test: $(TESTERS) $(WARMED)
	$(BIN)/python -m pytest -n auto

warm: $(WARMED)

clean:
	rm -rf $(ENVIRONMENT) $(OUT)

$(BIN)/python:
	@$(PYTHON) -c 'import sys; sys.exit(0 if sys.version_info >= (3, 11) else "exhaustsim needs Python 3.11 or newer: make PYTHON=python3.12 ...")'
	@echo "making the environment $(ENVIRONMENT)"
	@$(PYTHON) -m venv $(ENVIRONMENT) || { rm -rf $(ENVIRONMENT); exit 1; }

$(INSTALLED): pyproject.toml constraints.txt | $(BIN)/python
	@echo "installing exhaustsim and what it needs"
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check -e . -c constraints.txt
	@touch $@

$(TESTERS): $(INSTALLED)
	@echo "installing what the tests need"
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check -e '.[test]' -c constraints.txt
	@touch $@

# One run of a demo schedule compiles every law; the program tells its progress itself.
$(WARMED): $(INSTALLED) $(COMPILED)
	@$(BIN)/exhaustsim run demo_data/schedules/dt1_standard.toml > /dev/null
	@touch $@
