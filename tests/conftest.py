"""Property tests explore new inputs on a contributor's machine; on a build server they are the same in every run."""

import os

from hypothesis import settings

settings.register_profile("here", deadline=None)
settings.register_profile("server", deadline=None, derandomize=True)
settings.load_profile("server" if os.environ.get("CI") else "here")
