import os
import signal

from hypothesis import Phase, settings

from tests.browser_support import browser  # noqa: F401  # a fixture

# Tests send these to the programs they start. Under nohup, or behind a shell's &, they are ignored, and what
# is ignored is inherited.
signal.signal(signal.SIGHUP, signal.SIG_DFL)
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

# No deadline: a busy machine must not fail a property. In CI every run tries the same examples.
settings.register_profile("default", deadline=None)
settings.register_profile("ci", deadline=None, derandomize=True, database=None, print_blob=True)
# For changed programs: no search for the simplest example (python -m tests.mutation).
settings.register_profile("mutation", settings.get_profile("ci"), phases=(Phase.explicit, Phase.generate))
settings.load_profile("ci" if os.environ.get("CI") else "default")
