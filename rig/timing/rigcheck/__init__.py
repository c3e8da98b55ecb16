"""Is the rig to be trusted: a plain verdict for each thing that can be wrong with it.

``check`` puts them together: counts, direction, index, encoder; ``contacts`` the contact inputs and
the switch of a magneto; ``widths`` the encoder's unequal states.
"""
