"""From what was read and what is wanted to what to do, and whether it did what was predicted.

``wants`` says what is wanted of the readings, ``propose`` puts what the engine file's means can do
in order, ``predict`` says what the next reading ought to be and sets that reading beside it. Behind
``propose``: ``moves`` gathers what each means can do and what it occupies and replaces (``drive``
for gears, couplings and dogs, ``steps`` in words), ``task`` has what is wanted as numbers and ranks
what comes of it, ``search`` combines, ``slide`` places what slides; ``plan`` is what is handed on.
Angles are crank degrees, BTDC positive; a shift is positive when it makes the opening earlier.
"""
