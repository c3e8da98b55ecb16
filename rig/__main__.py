"""``python -m rig``."""

from rig.command import main

raise SystemExit(main())
