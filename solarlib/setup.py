"""The packages of this folder are found, not listed: a room needs no line anywhere. All else is in pyproject.toml."""

from setuptools import find_packages, setup

setup(packages=["solarlib", *(f"solarlib.{name}" for name in find_packages(exclude=["build*"]))])
