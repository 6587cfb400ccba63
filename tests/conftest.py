"""Loads the profile of the property tests before any test is read, see profiles.py; keeps the tests' memory small."""

import os
import sys

import pytest

import profiles  # noqa: F401

os.environ["SOLARLIB_ANSWERS"] = ""  # what a learner typed into the lessons is neither read nor written by tests


@pytest.fixture(scope="module", autouse=True)
def no_widgets_stay():
    """What a file of tests has shown is closed after it: open widgets hold their pictures, some 45 MB a lesson."""
    yield
    if "ipywidgets" in sys.modules:
        sys.modules["ipywidgets"].Widget.close_all()
