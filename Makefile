# Every job around the project; `make help` lists them. Needs GNU make and Python 3.11 or later, nothing else.

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
PIP_INSTALL := $(BIN)/python -m pip install --quiet --disable-pip-version-check

# Folder names reach the shell through the environment, so spaces, quotes and dollar signs in them are just letters.
override TAKE := $(value TAKE)
override KIT := $(value KIT)
OUT ?= out/report
override OUT := $(value OUT)
export TAKE KIT OUT

.DEFAULT_GOAL := help
.PHONY: help report test test-all check format bench score faults soak clean

help: ## this list
	@echo "Jobs (make JOB):"
	@sed -n 's/^\([a-z-]*\):.*## \(.*\)/  \1	\2/p' $(firstword $(MAKEFILE_LIST)) | expand -t 12
	@echo "PYTHON=python3.12 names the Python to use; ARGS=... goes on to pytest, bench.py, score.py and faults.py."

report: $(VENV)/.installed $(if $(TAKE),,out/.demo) ## PDF of the demo's takes, or of your own: TAKE=folder [OUT=folder]
	@mkdir -p out && touch out/.started; \
	case "$$TAKE" in \
	"") set -- out/demo/*/ ;; \
	"~/"*) set -- "$$HOME/$${TAKE#"~/"}" ;; \
	*) set -- "$$TAKE" ;; \
	esac; \
	status=0; $(BIN)/kitproof report -o "$$OUT" -- "$$@" || status=$$?; \
	case $$status in 0 | 1) ;; *) echo "No report: kitproof ended with status $$status." >&2; exit 2 ;; esac; \
	pdfs=$$(find "$$OUT" -name '*.pdf' -newer out/.started 2>/dev/null | sort); \
	if [ -z "$$pdfs" ]; then echo "No report: kitproof wrote no PDF into $$OUT." >&2; exit 2; fi; \
	case $$status in \
	0) echo "Measured; nothing to fix. The report:" ;; \
	1) echo "Measured; there is something to fix, the report says what:" ;; \
	esac; \
	printf '%s\n' "$$pdfs"

test: $(VENV)/.installed-dev ## all tests but the long ones, two at a time
	$(BIN)/python -m pytest -n 2 --dist loadfile -m "not slow" $(ARGS)

test-all: $(VENV)/.installed-dev ## all tests
	$(BIN)/python -m pytest -n 2 --dist loadfile $(ARGS)

check: $(VENV)/.installed-dev ## format, lint and types: only looks
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy

format: $(VENV)/.installed-dev ## put the code into the common form
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

bench score faults: export KITPROOF_CACHE := off

bench: $(VENV)/.installed-dev ## time and memory on a four-minute take; ARGS=--quick for a short one
	$(BIN)/python tests/tools/bench.py $(ARGS)

score: $(VENV)/.installed-dev ## accuracy on takes whose truth is known: KIT=folder of single hits, or KIT=modelled
	@if [ -z "$$KIT" ]; then \
	echo "Which kit? make score KIT=folder, with <instrument>/<nn>-<channel>.flac in it (DEVELOPERS.md says more)," >&2; \
	echo "or make score KIT=modelled for the demo's kit; ARGS=--help lists what else can be set." >&2; exit 2; fi
	$(BIN)/python tests/tools/score.py "$$KIT" $(ARGS)

faults: $(VENV)/.installed-dev ## are faults found, and only those: KIT=folder of single hits, or KIT=modelled
	@if [ -z "$$KIT" ]; then \
	echo "Which kit? make faults KIT=folder, laid out as for make score (DEVELOPERS.md says more), or" >&2; \
	echo "make faults KIT=modelled for the demo's kit; ARGS=--help lists what else can be set." >&2; exit 2; fi
	$(BIN)/python tests/tools/faults.py "$$KIT" $(ARGS)

soak: $(VENV)/.installed-dev ## kill a watch two hundred times and count its reports; ARGS="--kills 20" for fewer
	$(BIN)/python tests/tools/killwatch.py $(ARGS)

clean: ## remove out/ (reports too), caches and builds; .venv stays
	rm -rf out bench-out build dist .pytest_cache .mypy_cache .ruff_cache
	find pipeline tests -name __pycache__ -type d -prune -exec rm -rf {} +

# ---------------------------------------------------------------- made once, then only when what they hang on changes
$(VENV)/.created:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { \
	echo "kitproof needs Python 3.11 or later, and $(PYTHON) is not; say which one to use: make PYTHON=python3.12 ..." >&2; \
	exit 2; }
	@$(BIN)/python -m pip --version >/dev/null 2>&1 || $(PYTHON) -c 'import ensurepip, venv' 2>/dev/null || { \
	echo "This Python cannot make a virtual environment: its venv or ensurepip module is not installed." >&2; \
	echo "On Debian and Ubuntu: apt install python3-venv; elsewhere use a Python that has it: make PYTHON=..." >&2; \
	exit 2; }
	@$(BIN)/python -m pip --version >/dev/null 2>&1 || $(PYTHON) -m venv $(VENV)
	@touch $@

$(VENV)/.installed: pyproject.toml | $(VENV)/.created
	@echo "Installing kitproof into $(VENV): once, a minute or two ..."
	@$(PIP_INSTALL) -e .
	@touch $@

$(VENV)/.installed-dev: pyproject.toml | $(VENV)/.created
	@echo "Installing kitproof and its test tools into $(VENV): once, a few minutes ..."
	@$(PIP_INSTALL) -e '.[dev]'
	@touch $(VENV)/.installed $@

out/.demo: $(wildcard pipeline/kitproof/demo/*.py) | $(VENV)/.installed
	@rm -rf out/demo && mkdir -p out
	$(BIN)/kitproof demo out/demo
	@touch $@
