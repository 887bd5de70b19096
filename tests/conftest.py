"""What holds for the whole suite: property tests draw the same examples on every run, fresh ones with --fuzz."""

import pytest
from hypothesis import settings

settings.register_profile("suite", derandomize=True, deadline=None)
settings.register_profile("fresh", derandomize=False, deadline=None, print_blob=True)
settings.load_profile("suite")  # before any test module is imported: settings that it makes start from this one


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--fuzz", action="store_true", help="fresh examples; let contract and mutation tests run for long")


def pytest_configure(config: pytest.Config) -> None:
    if config.getoption("--fuzz"):
        settings.load_profile("fresh")
