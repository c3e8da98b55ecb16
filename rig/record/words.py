"""The standing words of a certificate: what it is, how it was measured, cautions, closing list."""

from __future__ import annotations

TITLE = "Ignition timing certificate"

THIS_IS = (
    "A record of measurement: the crank angle at which the contacts of each ignition unit open, "
    "with the engine turned by hand.",
    "The results relate only to the engine and units named here, as they stood when measured.",
)

THIS_IS_NOT = (
    "Not the timing of the running spark.",
    "Not a release to service: whether the engine may run is for the maker's manual, the local "
    "authority and a licensed person to say.",
)

OPENING = (
    "Opening is the instant at which the contacts first part in the passage that ends with them "
    "staying open. It is placed in time between the encoder edges either side of it."
)

CAUTIONS = (
    "A magneto whose earthing lead is off, or whose switch lead is open, is live: turning the "
    "crank or the propeller by hand can fire a cylinder. Refit the earth lead and prove the "
    "switch before anything is turned again.",
    "Keep clear of the arc of anything bolted to the crank. Keep the plugs out, or their leads off "
    "and on an earthed gap, until the work is done.",
    "The maker's manual, the local rules and a licensed person have the last word.",
)

CLOSING = (
    "Stop or gauge out of the plug hole",
    "Wedge out of the automatic advance",
    "Rig leads off the contacts, encoder off the crank",
    "Holding bolts tight and locked, timing read again after tightening",
    "Coil leads and condenser back on",
    "Earth lead refitted, switch proved: at OFF the contacts read earthed for a whole turn",
    "Plugs, leads and covers back",
)

DIGESTS = (
    "Each fingerprint is the SHA-256 of a file. If one byte of the file changes, so does the "
    "fingerprint: it shows change. It does not show who made the file: anyone who alters the "
    "record can compute new fingerprints. Only a signature made with a key that others trust, or "
    "a copy kept by somebody else, shows that."
)

VERIFYING = (
    "With the job's folder at hand and nothing else, this program's verify command computes every "
    "figure anew from the recording and says for each figure and fingerprint whether it holds."
)
