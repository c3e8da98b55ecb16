"""A rig in software that speaks the line format: hand, drive, units, encoder, board and faults.

Entry points: ``rig.virtual.rig.VirtualRig`` and ``run`` (in the process, as fast as possible),
``rig.virtual.rig.pin_recording`` (pins only), ``rig simulate`` (a port of its own).
"""
