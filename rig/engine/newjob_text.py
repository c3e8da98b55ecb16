"""The pieces of text of which a new ``engine.toml`` is made; names in braces are filled in."""

HEAD = """\
# What you state about this engine, its ignition units and the rig's encoder. It is yours to edit;
# what is wrong is told with its line. Degrees are degrees of crank. The maker's manual has the
# last word on every figure. All keys stand at the head of the example engine file.
"""

ENGINE = """\
[engine]
name = {name}
serial = ""
strokes = {strokes}
cylinders = {cylinders}
firing_order = [{order}]
# intervals_deg = []          # from each firing to the next; even when left out
rotation = "{rotation}"
seen_from = "flywheel end"
# rim_diameter_mm = 412       # for figures given as a length round the rim

# For figures given as piston travel, and to take the bias out of a positive stop. Take the #
# off and put your engine's figures in. offset_mm = 0 when you know that there is none.
# [engine.geometry]
# stroke_mm = 100
# rod_mm = 190
# offset_mm = 0
"""

ENCODER = """\
[encoder]
counts_per_turn = {counts}
forward_counts = "up"         # "down" when it counts down as the engine turns forwards
graduation_error_deg = 0      # its own error, as its maker states it, either way
run_out_deg = 0               # once-a-turn error of its mounting: measure it, and state it here
"""

UNIT = """\
[[unit]]
name = {name}
input = {input}
serial = ""
turns_per_crank_turn = "{drive}"
lobes = {lobes}
rotation = "{rotation}"
seen_from = "drive end"
opening_means = "lamp"        # "paper" when the manual means a slip of paper coming free
coupling = "none"             # "impulse", or "disabled" when it is held out of action
"""

FIGURE = """\
  [[unit.setting]]
  name = {name}
  nominal_deg_btdc = {figure}
  tolerance_deg = {tolerance}
  # or earliest_deg_btdc and latest_deg_btdc, or nominal_mm_travel, nominal_in_travel = "5/16", or
  # nominal_rim_tape_mm, nominal_rim_rule_mm (tape round the rim, rule across it)
  source = {source}
"""

NO_FIGURE = """\
  # No figure yet: this setting is read, and not judged. Take the # off when you have it.
  [[unit.setting]]
  name = {name}
  # nominal_deg_btdc = 36     # or nominal_mm_travel, nominal_in_travel, nominal_rim_tape_mm, ...
  # tolerance_deg = 1         # or earliest_deg_btdc and latest_deg_btdc
  # source = "workshop manual, page 12"
"""

TOGETHER = """\
[[together]]
first = {first}
second = {second}
stagger_deg = 0               # how much earlier the first opens, where the maker wants that
tolerance_deg = 1
source = "common practice; look into the manual"
"""

TAIL = """\
[certificate]
person = ""
workshop = ""
"""
