"""Prints, as constraints for pip, the lowest version that pyproject.toml allows of everything it asks for."""

import re
import sys
import tomllib
from pathlib import Path

project = tomllib.loads(Path("pyproject.toml").read_text(encoding="utf-8"))["project"]
asked = [*project["dependencies"], *(each for extra in project["optional-dependencies"].values() for each in extra)]
floors = [found.groups() for each in asked if (found := re.match(r"([\w-]+)(?:\[\w+\])?>=([\w.]+)$", each))]
sys.stdout.writelines(f"{name}=={version}\n" for name, version in floors)
