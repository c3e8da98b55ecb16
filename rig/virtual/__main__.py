"""``python -m rig.virtual``."""

import sys

from rig.virtual.server import main

sys.exit(main())
