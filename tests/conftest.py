"""Loads the profile of the property tests before any test is read; see profiles.py."""

import profiles  # noqa: F401
