import os

from hypothesis import settings

# No deadline: a busy machine must not fail a property. In CI every run tries the same examples.
settings.register_profile("default", deadline=None)
settings.register_profile("ci", deadline=None, derandomize=True, database=None, print_blob=True)
settings.load_profile("ci" if os.environ.get("CI") else "default")
