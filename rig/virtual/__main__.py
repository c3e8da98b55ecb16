"""``python -m rig.virtual``."""

import sys

from rig.virtual.serve import main

sys.exit(main())
