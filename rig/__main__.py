"""``python -m rig``."""

from rig.cli.main import main

raise SystemExit(main())
