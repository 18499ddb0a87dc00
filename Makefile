# Needs only Python >= 3.11.5 and make. On Windows see "Without make" in README.md.
PYTHON ?= python3
BIN := .venv/bin
DATA ?= data/demo
SEASON ?= 2025
OUT ?= reports/$(SEASON)
JOBS ?= 2

.PHONY: season test judge lab demo clean-notebooks

.venv/.ready: requirements.txt pyproject.toml
	$(PYTHON) -c "import sys; sys.exit(sys.version_info < (3, 11, 5) and 'culmbook needs Python 3.11.5 or newer; this is ' + sys.version)"
	$(PYTHON) -m venv .venv
	$(BIN)/python -m pip install --quiet --upgrade pip
	$(BIN)/python -m pip install --quiet -r requirements.txt
	touch $@

season: .venv/.ready  ## every site's PDF, the network's, and an index page
	$(BIN)/culmbook season $(DATA) --season $(SEASON) --out $(OUT) --jobs $(JOBS)

test: .venv/.ready  ## one style, pytest, then every notebook under nbval
	$(BIN)/ruff format --check lib tests data
	$(BIN)/ruff check lib tests data
	$(BIN)/python -m pytest -n $(JOBS) --dist loadfile -m "not long"
	$(BIN)/python -m pytest -n $(JOBS) --dist loadfile --nbval-lax --nbval-current-env --nbval-cell-timeout=300 notebooks

judge: .venv/.ready  ## coverage and error rates on simulated networks with known truth
	$(BIN)/python -m pytest -n $(JOBS) --dist loadfile tests/judge

lab: .venv/.ready  ## open the notebooks
	$(BIN)/jupyter lab notebooks

demo: .venv/.ready  ## make the invented demo network again
	PYTHONPATH=data $(BIN)/python -m make_demo data/demo

clean-notebooks: .venv/.ready  ## clear outputs, refresh the headline cells
	$(BIN)/python -m culmbook.batch.clean notebooks
