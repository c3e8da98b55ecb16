"""What the engine, its ignition units and the rig's mounting are; knows no ports and no screens.

The public face:

* ``profile``: the stated facts (Profile, Engine, Unit, Setting, Window, Geometry, Encoder, ...).
* ``file``: ``load_profile``, ``profile_from_bytes``, ``profile_bytes_digest``, ProfileError with
  every Mistake. ``figures`` and ``unit_file`` read its parts; ``section``, ``toml_text`` and
  ``mistakes`` read any TOML file that a person writes.
* ``newjob``: ``questions``, ``next_question``, ``write_job``, ``write_example``.
* ``geometry``: slider-crank and rim: ``travel_mm``, ``btdc_from_travel_deg``, ``stop_bias_deg``,
  ``rim_tape_mm``, ``deg_from_rim_rule``, ...
* ``firing``: ``firing_after_first_deg``, ``tdc_after_first_deg``, ``datum_after_first_deg``,
  ``plug_hole_offset_deg``, ``geometry_of``, ``wrap_btdc``, ``wrap_cycle``.
* ``reference``: top dead centre: Reference, ``from_stop``, ``stated``, ``moved``, ``to_plain``,
  ``from_plain``; ``reference_file``: ``load_reference``, ``load_references``, ``save_reference``.
* ``gauge``, ``equal_lifts``, ``gauge_check``: top dead centre by dial gauge.
* ``means``, ``means_file``, ``gears``, ``planetary``, ``couplings``: what can be
  moved to correct the timing.
* ``uncertainty``: Contribution, Uncertainty, ``combine``;
* ``stated``: figures to the digits that their uncertainty warrants.
"""
