"""Every installed family keeps the contract that outsiders are measured by."""

import pytest

from families.cases import CASES
from sillcast.registry import Registry
from sillcast.testing import check_family

INSTALLED = Registry.find().families


@pytest.mark.parametrize("installed", INSTALLED, ids=lambda i: i.name)
def test_family_keeps_the_contract(installed):
    check_family(installed.family, CASES.get(installed.name, ()))


def test_every_entry_of_the_cases_is_an_installed_family():
    assert set(CASES) <= {i.name for i in INSTALLED}
