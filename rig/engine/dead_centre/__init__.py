"""Top dead centre: found by a stop or a gauge, stated, or marked; how sure it is; where it is kept.

``reference`` is one dead centre with its uncertainty, ``stop_sides`` the touches either side of a
stop; ``gauge_points`` and ``gauge_series`` what a dial gauge read, ``gauge`` the exact curve
through it, ``equal_lifts`` the middles between equal lifts, ``gauge_check`` what speaks against a
point; ``within`` how well a mark is read. ``index_places`` is for an encoder on a geared shaft,
whose index comes at several places of the crank. ``reference_plain`` and ``reference_file`` keep
what was found.
"""
