"""The recorder's process; started by :func:`nightreel.capture.launch.launch`, not by hand."""

import sys

from nightreel.capture.guard import main

sys.exit(main(sys.argv))
