"""The second sheet: how it was measured, with what, and how anyone can prove it."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from rig.base.escape import ink, visible
from rig.base.rounding import after_index_with, many
from rig.certificate import schema, seal
from rig.certificate.schema import Certificate
from rig.engine.gear_train import index_places, places_apart_deg
from rig.engine.profile import Encoder
from rig.job.clock import utc_shown
from rig.job.results import CaptureFacts, RigFinding
from rig.tdc.reference import Method, TdcReference
from rig.words.figures import grouped


def evidence(certificate: Certificate, fingerprint: str, budget: str) -> str:
    """Draw the sheet; ``fingerprint`` is the record's own, ``budget`` what goes above the rest."""
    left = (_method(certificate), _reference(certificate), _rig(certificate), _closing(certificate))
    right = (_prints(certificate, fingerprint), _signing(certificate), _cautions(certificate))
    return (
        f"{budget}"
        f'<div class="columns"><div>{"".join(left)}</div><div>{"".join(right)}</div></div>'
        f"{_signature(certificate)}"
    )


def _method(certificate: Certificate) -> str:
    stated = certificate.stated
    run_up, contacts = stated.run_up, stated.contacts
    meanings = sorted({each.meaning for each in stated.units})
    said = [
        *certificate.method,
        f"A reading counts after {run_up.needed_deg:g}° of movement in the normal direction, "
        f"begun anew by a backward movement beyond {run_up.forgiven_deg:g}°.",
        f"Contacts: a closed run of {contacts.closed_end_ms:g} ms ends a passage; open runs up to "
        f"{contacts.longest_dropout_ms:g} ms before it are drop-outs; open for "
        f"{contacts.least_open_ms:g} ms is open.",
        f"The figures are meant as read with the {' or the '.join(meanings)}.",
    ]
    return _block("How", "<p>" + " ".join(ink(each) for each in said) + "</p>")


def _reference(certificate: Certificate) -> str:
    of = certificate.reference
    U = of.uncertainty.U_deg
    both = of.forward_deg and of.backward_deg  # at a mark of the engine the crank stood once
    touches = len(of.forward_deg) + len(of.backward_deg) if both else 0
    pairs = [
        _found_by(of, touches),
        (
            "stands at",
            f"{after_index_with(of.tdc_deg, U)}, cylinder {of.cylinder}",
        ),
        ("made", ink(utc_shown(of.made_utc) or "not stated")),
    ]
    entered = certificate.stated.engine.stated_tdc_deg
    if entered:
        within = certificate.stated.engine.stated_tdc_within_deg
        listed = ", ".join(f"cyl. {c} {deg:g}°" for c, deg in sorted(entered.items()))
        known = f"each ± {within:g}°" if within else "taken as exact: no uncertainty was entered"
        pairs.append(("entered", f"{listed} after cylinder 1's; {known}"))
    if of.capture:
        named = "said to be of" if of.method is Method.BY_HAND else "recording"
        pairs.append((named, ink(of.capture)))
    for other in certificate.other_references:
        shown = after_index_with(other.tdc_deg, other.uncertainty.U_deg)
        pairs.append((ink(other.by), f"{shown}, not used"))
    warned = "".join(f"<p>{ink(each)}</p>" for each in of.warnings)
    return _block("Top dead centre", _pairs(pairs) + f"<p>{ink(of.how)}</p>{warned}")


def _found_by(of: TdcReference, touches: int) -> tuple[str, str]:
    if of.method is Method.BY_HAND:
        return "found by", "<b>set by hand</b>: no recording gives it"
    touched = f", {many(touches, 'touch', 'touches')}" if touches else ""
    return "found by", ink(of.by) + touched


def _rig(certificate: Certificate) -> str:
    encoder = certificate.stated.encoder
    pairs = []
    for rig in dict.fromkeys(
        (e.rig_name, e.protocol, e.counts_per_turn) for e in certificate.captures
    ):
        pairs.append(
            ("rig", f"{ink(rig[0])}, line format {rig[1]}, {many(rig[2], 'count')} a turn")
        )
    pairs.append(
        (
            "encoder",
            f"{_mounting(encoder)}graduation ± {encoder.graduation_error_deg:g}°, run-out "
            f"{encoder.run_out_deg:g}° (as stated in the engine file)",
        )
    )
    pairs += _rig_checks(certificate.rig_checks)
    program = certificate.program
    with_what = ", ".join(f"{ink(name)} {ink(of)}" for name, of in program.libraries.items())
    pairs.append(
        (
            "computed by",
            f"{ink(program.name)} {ink(program.version)}, Python {ink(program.python)}, {with_what}"
            f"; {ink(program.machine)}",
        )
    )
    return _block("Rig and program", _pairs(pairs))


def _mounting(encoder: Encoder) -> str:
    """How a geared encoder is driven; nothing of one that sits on the crank."""
    text = ""
    if encoder.turns_per_crank_turn != 1:
        text = f"makes {many(encoder.turns_per_crank_turn, 'turn')} for one of the crank, "
    if index_places(encoder) > 1:
        apart = f"{places_apart_deg(encoder):g}°"
        text += f"its index at {many(index_places(encoder), 'place')} of it, {apart} apart, "
    if encoder.play_deg:
        text += f"play {encoder.play_deg:g}° ± {encoder.play_error_deg:g}° of crank, "
    return text


def _rig_checks(checks: Sequence[RigFinding]) -> list[tuple[str, str]]:
    """The rig check: what is good by its names alone, the rest with its words."""
    good = ", ".join(ink(each.name) for each in checks if each.verdict == "good")
    pairs = [("rig check", f"<b>good</b>: {good}")] if good else []
    return pairs + [
        (ink(each.name), f"<b>{ink(each.verdict)}</b>: {ink(each.words)}")
        for each in checks
        if each.verdict != "good"
    ]


def _prints(certificate: Certificate, fingerprint: str) -> str:
    parts = [_print("this record", "its .json file less its last five lines", fingerprint)]
    parts += [_print(ink(each.file), _about(each), each.sha256) for each in certificate.captures]
    engine = certificate.engine_file
    parts.append(_print(ink(engine.name), f"{many(engine.size_bytes, 'byte')}", engine.sha256))
    parts.append(f'<p class="note">{schema.DIGESTS}</p><p class="note">{schema.VERIFYING}</p>')
    return _block("Fingerprints (SHA-256)", "".join(parts))


def _print(name: str, about: str, sha256: str) -> str:
    half = len(sha256) // 2
    rows = "<br>".join(grouped(ink_free(each)) for each in (sha256[:half], sha256[half:]))
    return f'<p><b>{name}</b> {about}</p><p class="print">{rows}</p>'


def ink_free(digits: str) -> str:
    """Digits of a fingerprint alone; anything else in its place shows as "?"."""
    return "".join(each if each in "0123456789abcdef" else "?" for each in digits[:64])


def _about(of: CaptureFacts) -> str:
    troubles = ", ".join(f"{n} {ink(kind)}" for kind, n in of.troubles.items()) or "none"
    return (
        f"{many(of.size_bytes, 'byte')}, {many(of.lines, 'line')}, troubles on the "
        f"line: {troubles}; "
        f"{ink(utc_shown(of.start_utc))} to {ink(utc_shown(of.end_utc)[11:])}; {ink(of.used_for)}"
    )


def _signing(certificate: Certificate) -> str:
    name = visible(certificate.identification) + ".json"
    ssh, gpg = seal.to_sign(name)
    lines = (f"{ssh.removesuffix(name)}\\\n    {name}", gpg)
    return _block(
        "Signing it",
        "<p>To show who stands behind it, sign the record with a tool that you have already, and "
        "keep the signature beside it; either of these makes one, and the verify command says how "
        "it is checked:</p>"
        f"<pre>{escape(lines[0])}\n{escape(lines[1])}</pre>",
    )


def _cautions(certificate: Certificate) -> str:
    listed = "".join(f"<li>{ink(each)}</li>" for each in certificate.cautions)
    return _block("Cautions", f'<ul class="cautions">{listed}</ul>')


def _closing(certificate: Certificate) -> str:
    tick = '<path d="M2.5 6.5l3 3l5 -8"/>'
    listed = "".join(
        '<li><svg class="box" viewBox="0 0 12 12" aria-hidden="true">'
        f'<rect x="0.6" y="0.6" width="10.8" height="10.8"/>{tick if each.done else ""}</svg>'
        f"<span>{ink(each.words)}</span></li>"
        for each in certificate.closing
    )
    return _block("Closing list, before the engine runs", f'<ul class="closing">{listed}</ul>')


def _signature(certificate: Certificate) -> str:
    stated = certificate.stated
    who = ", ".join(filter(None, ("signed", stated.person, stated.workshop)))
    return f'<div class="sign"><span>{ink(who)}</span><span>date</span></div>'


def _block(title: str, body: str) -> str:
    return f'<div class="block"><h3>{title}</h3>{body}</div>'


def _pairs(pairs: Sequence[tuple[str, str]]) -> str:
    return (
        '<dl class="pairs">'
        + "".join(f"<dt>{name}</dt><dd>{value}</dd>" for name, value in pairs)
        + "</dl>"
    )
