# Each target does all its own set-up: environment, install, compiled code.
#
#   make compare    the main job on the demo schedules; report in out/
#   make test       every test, and which lines of physics, engine and studies none reaches; fails under 95 %
#   make bench      what runs cost, also against general-purpose solvers; figures in bench.json; 4 minutes
#   make fuzz       a million hostile inputs to every reader, then every command struck at every call to the file system; 11 minutes
#   make lab        opens the notebooks in JupyterLab; make lab PAGE=01 shows one as a page of its own
#   make pictures   makes the pictures of the README anew
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
BENCHERS := $(ENVIRONMENT)/benchers-installed
LABORATORY := $(ENVIRONMENT)/lab-installed
WARMED := $(ENVIRONMENT)/warmed
COMPILED := exhaustsim/compiled.py exhaustsim/constants.py $(wildcard exhaustsim/physics/*.py exhaustsim/engine/*.py)

# Coverage cannot see into compiled code: these tests of laws and engine run a second time uncompiled.
UNCOMPILED_TESTS := tests/laws tests/engine/test_stiff.py tests/engine/test_jacobian.py tests/engine/test_march.py tests/engine/test_pumping.py \
	tests/engine/test_uncompiled.py tests/test_published.py exhaustsim/physics

# Small dense matrices only: more than one thread per process makes linear algebra slower here.
export OPENBLAS_NUM_THREADS := 1
export OMP_NUM_THREADS := 1
export MKL_NUM_THREADS := 1

FIND_BROWSER := $(BIN)/python tests/browser/findbrowser.py

.PHONY: compare test fuzz bench lab pictures warm clean
.DELETE_ON_ERROR:

compare: $(WARMED)
	$(BIN)/exhaustsim compare $(SCHEDULES) --out $(OUT)

# Notebooks are tested in a browser of the Chromium family: one that is installed, or Debian's when it may be installed.
test: $(TESTERS) $(WARMED)
	@$(FIND_BROWSER) --install > /dev/null
	@rm -f .coverage .coverage.*
	COVERAGE_FILE=.coverage.compiled $(BIN)/python -m pytest -n auto --cov --cov-report=
	EXHAUSTSIM_PURE_PYTHON=1 COVERAGE_FILE=.coverage.uncompiled $(BIN)/python -m pytest -q -n auto --cov --cov-report= $(UNCOMPILED_TESTS)
	@$(BIN)/python -m coverage combine --quiet
	@$(BIN)/python -m coverage report --fail-under=95
	@$(FIND_BROWSER) --say

fuzz: $(TESTERS) $(WARMED)
	$(BIN)/python -m tests.trust.fuzz --executions 1000000
	$(BIN)/python -m tests.trust.killpoints

lab: $(LABORATORY) $(WARMED)
	$(BIN)/exhaustsim lab $(if $(PAGE),--page $(PAGE))

pictures: $(WARMED)
	$(BIN)/python pictures/make_pictures.py

bench: $(BENCHERS) $(WARMED)
	@$(BIN)/python -m benchmarks

warm: $(WARMED)

clean:
	rm -rf $(ENVIRONMENT) $(OUT) .coverage .coverage.* bench.json exhaustsim/__pycache__ benchmarks/__pycache__

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

$(BENCHERS): $(INSTALLED)
	@echo "installing what the benchmark needs"
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check -e '.[bench]' -c constraints.txt
	@touch $@

$(LABORATORY): $(INSTALLED)
	@echo "installing what the notebooks need"
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check -e '.[lab]' -c constraints.txt
	@touch $@

# One run of a demo schedule compiles every law; the program tells its progress itself.
$(WARMED): $(INSTALLED) $(COMPILED)
	@$(BIN)/exhaustsim run demo_data/schedules/dt1_standard.toml > /dev/null
	@touch $@
