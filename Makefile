# Two commands do all set-up on a fresh machine: `make demo` and `make test`.
PYTHON ?= python3
VENV ?= .venv
PY := $(VENV)/bin/python
STAMP := $(VENV)/.installed

.DEFAULT_GOAL := help
.PHONY: help install demo test lint site sanitize torture dist package abi3 oldest check clean

help:  ## list the targets
	@grep -hE '^[a-z0-9]+:.*##' $(MAKEFILE_LIST) | sed 's/:.*##/\t/' | expand -t 12

# The demo needs pictures and bars; the developers' tools, which take minutes to fetch, are another step.
DEMO_STAMP := $(VENV)/.installed-demo
$(DEMO_STAMP): pyproject.toml CMakeLists.txt $(wildcard src/kernel/*)
	@echo "nearkey: building the environment in $(VENV), and the compiled kernel; then the demo starts"
	$(PYTHON) -m venv $(VENV)
	$(PY) -m pip install --quiet --disable-pip-version-check --editable '.[rank,report]'
	@touch $@

$(STAMP): pyproject.toml CMakeLists.txt $(wildcard src/kernel/*)
	@echo "nearkey: building the environment in $(VENV), the compiled kernel and the developers' tools; then the tests start"
	$(PYTHON) -m venv $(VENV)
	$(PY) -m pip install --upgrade pip
	$(PY) -m pip install --editable '.[dev]' --config-settings=cmake.define.NEARKEY_STRICT=ON
	@touch $@ $(DEMO_STAMP)

install: $(STAMP)  ## build the virtual environment and the compiled kernel

demo: $(DEMO_STAMP)  ## the main job end to end on the embedded English pack
	$(PY) examples/demo.py --out demo-out

test: $(STAMP)  ## all tests
	$(PY) -m pytest -n 2 -v --durations=10

lint: $(STAMP)  ## style, types, import contracts
	$(VENV)/bin/ruff check .
	$(VENV)/bin/mypy
	$(VENV)/bin/lint-imports

site: $(STAMP)  ## the documentation site in build/site; a warning is an error
	rm -rf build/site build/pages && mkdir -p build && cp -r docs build/pages
	mv build/pages/search.md build/pages/searching.md  # the site's own page of searches has that name
	sed -i.old 's/(search\.md/(searching.md/g' build/pages/*.md && rm -f build/pages/*.old
	$(PY) -m sphinx -W --keep-going -q -b html build/pages build/site
	@echo build/site/index.html

# Python itself knows nothing of the sanitizers: their libraries come before it. Its own leaks are not ours.
SANITIZED := build/sanitized
CXX ?= g++
sanitize: $(STAMP)  ## the tests that use the kernel most, with memory and undefined behaviour watched (g++)
	$(PY) -m pip install --quiet --no-deps --upgrade --target $(SANITIZED) --config-settings=build-dir=$(SANITIZED)-objects \
		--config-settings=install.strip=false --config-settings=cmake.define.NEARKEY_SANITIZE=ON .
	LD_PRELOAD="$$($(CXX) -print-file-name=libasan.so) $$($(CXX) -print-file-name=libstdc++.so)" ASAN_OPTIONS=detect_leaks=0 \
		NEARKEY_KERNEL=$(SANITIZED) PYTEST_PLUGINS=other_kernel PYTHONPATH=tests/support $(PY) -m pytest -n 2 \
		tests/unit/decode tests/property/decode tests/unit/session tests/unit/language tests/property/language tests/unit/search \
		tests/contract/test_hostile_files.py::test_forged_packs_end_no_process

torture: $(STAMP)  ## a million damaged and forged files; the table goes to benchmarks/RESULTS.md
	$(PY) benchmarks/torture/run_torture.py
	$(PY) benchmarks/make_results.py

OLDEST_TESTS := tests/unit/decode tests/unit/layout tests/unit/touch tests/unit/session tests/unit/shared/test_text_table.py tests/cli/test_cli_layout.py tests/cli/test_cli_touch.py

DIST ?= dist
# Where the repository's files are found on the web, for the addresses in the metadata; without it there are none.
HOMEPAGE ?=
dist: $(STAMP)  ## the sdist, the wheel, and the English pack as a wheel of its own, in dist/ (HOMEPAGE=https://...)
	$(PY) -m pip install --quiet 'build>=1.2'
	NEARKEY_HOMEPAGE=$(HOMEPAGE) $(PY) -m build --outdir $(DIST) .
	$(PY) -m nearkey.cli pack dist models/en/pack -o $(DIST)

# Whose blocks run on the installed package: in order, each page in an empty folder.
PAGES := README.md $(filter-out docs/api.md docs/index.md,$(wildcard docs/*.md))

package: $(STAMP)  ## build both wheels, install them in a scratch environment, run all pages with them
	rm -rf build/package && mkdir -p build/package
	$(MAKE) dist DIST=build/package HOMEPAGE=https://nearkey.example/files
	NEARKEY_DISTRIBUTIONS=build/package $(PY) -m pytest -q tests/package
	$(PYTHON) -m venv build/package/venv
	build/package/venv/bin/pip install --quiet --find-links build/package 'nearkey[en,data,frames,report,score,stats]'
	cd build/package && venv/bin/python -c "import nearkey as nk; layout = nk.Layout.named('qwerty'); \
	decoder = nk.Decoder(layout, nk.GaussianTouch.from_layout(layout, spread=0.3), nk.load_pack('en')); \
	best = decoder.decode([layout.centers[layout.key_of_letter[c]] for c in 'level'], context='the pole is'); \
	assert best[0].text == 'level', best; print('package: decoded', best[0].text)"
	build/package/venv/bin/python tests/support/pages.py $(PAGES)

# One wheel for 3.12 and later: built by one of these, looked at for what it takes of Python, and run.
PYTHON_ABI3 ?= python3.13
abi3: $(STAMP)  ## the wheel for Python 3.12 and later, audited and run (PYTHON_ABI3)
	rm -rf build/abi3 && $(PYTHON_ABI3) -m venv build/abi3/venv
	build/abi3/venv/bin/pip wheel --quiet --no-deps --wheel-dir build/abi3 .
	$(PY) -m abi3audit --strict build/abi3/nearkey-*-cp312-abi3-*.whl
	$(PY) -m auditwheel show build/abi3/nearkey-*-cp312-abi3-*.whl | grep -o 'manylinux[0-9a-z_]*' | head -1
	build/abi3/venv/bin/pip install --quiet pytest hypothesis build/abi3/nearkey-*-cp312-abi3-*.whl
	build/abi3/venv/bin/python -m pytest -q -p no:cacheprovider -o pythonpath=tests/support tests/unit/layout tests/unit/decode/test_decode_parts.py

oldest: $(STAMP)  ## the main tests with the oldest versions of the dependencies that pyproject.toml allows
	$(PYTHON) -m venv build/oldest
	$(PY) -m nearkey.cli pack dist models/en/pack -o build/oldest
	build/oldest/bin/pip install --quiet $$($(PY) tests/support/oldest_versions.py pyproject.toml data report score stats frames) \
		'pytest>=8' 'hypothesis>=6.100' 'pytest-xdist>=3.5'
	build/oldest/bin/pip install --quiet --no-deps . build/oldest/nearkey_pack_en-*.whl
	build/oldest/bin/python -m pytest -n 2 -p no:cacheprovider -o pythonpath=tests/support $(OLDEST_TESTS)

check: lint test  ## what continuous integration runs

clean:  ## remove what the other targets made
	rm -rf $(VENV) build dist demo-out .mypy_cache .ruff_cache .pytest_cache .hypothesis
