"""The certificate's page: one HTML file that needs nothing else, drawn from the record alone.

The first sheet has what was found; the second how it was measured, and how anyone can prove it. No
script, nothing to load: a policy in its head forbids both. All foreign text goes through
``rig.base.escape``.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Sequence
from functools import cache
from html import escape
from importlib import resources
from string import Template

from rig.base.codec import from_plain
from rig.base.escape import ink, visible
from rig.base.rounding import after_index_with, listed, many
from rig.certificate import schema, seal, strips
from rig.certificate.page_budget import budget
from rig.certificate.page_results import adjustments, comparison, remarks, results
from rig.certificate.schema import Certificate
from rig.certificate.seal import Record
from rig.engine.gear_train import index_places, places_apart_deg
from rig.engine.profile import Encoder
from rig.job.clock import utc_shown
from rig.job.results import CaptureFacts
from rig.tdc.reference import Method
from rig.words.figures import grouped


def render(record: Record) -> str:
    """Draw the page of ``record`` (sealed or not). The same record gives the same page.

    Raises InputError when the record is not as SCHEMA.md says.
    """
    of = from_plain(Certificate, record, "record")
    heading = visible(f"{of.title} {of.identification}")
    moves = dict.fromkeys(f"{each.capture}: {each.words}." for each in of.tdc_moves)
    signed = ", ".join(filter(None, ("signed", of.stated.person, of.stated.workshop)))
    return Template(_text("page.html")).substitute(
        style=_text("page.css"),
        heading=escape(heading),
        title=ink(of.title),
        name=ink(of.identification),
        foot=_css_text(heading),
        issued=ink(utc_shown(of.issued_utc)),
        rim=strips.rim(),
        facts=_facts(of),
        this_is=" ".join(ink(each) for each in of.this_is),
        this_is_not=" ".join(ink(each) for each in of.this_is_not),
        moved="".join(f'<p class="statement"><strong>{ink(t)}</strong></p>' for t in moves),
        results=results(of),
        comparison=comparison(of),
        adjustments=adjustments(of),
        remarks=remarks(of),
        before_it_runs=_before_it_runs(of),
        evidence=_evidence(of, seal.fingerprint(record)),
        budget=budget(of),
        signed=ink(signed),
    )


def _facts(certificate: Certificate) -> str:
    stated, engine = certificate.stated, certificate.stated.engine
    order = "-".join(str(each) for each in engine.firing_order)
    about = f"{engine.strokes}-stroke, {engine.cylinders} cyl., firing {order}"
    turns = f"turns {engine.rotation} seen from the {engine.seen_from}"
    units = "; ".join(f"{each.name} {each.serial}".strip() for each in stated.units)
    first = utc_shown(certificate.measured_from_utc)
    last = utc_shown(certificate.measured_until_utc)
    facts = (
        ("Engine", f"{engine.name} {engine.serial}".strip(), f"{about}; {turns}"),
        ("Units", units, ""),
        ("Measured", first, f"to {last[11:] if first[:10] == last[:10] else last}"),
        ("By", stated.person or "not named", stated.workshop),
    )
    return "".join(
        f"<div><dt>{name}</dt><dd>{ink(value)}<small>{ink(more)}</small></dd></div>"
        for name, value, more in facts
    )


def _evidence(certificate: Certificate, fingerprint: str) -> str:
    """Draw the blocks in order; ``fingerprint`` is the record's own."""
    return (
        _block("How", _method(certificate))
        + _block("Top dead centre", _reference(certificate))
        + _block("Rig and program", _rig(certificate))
        + _block("Fingerprints (SHA-256)", _prints(certificate, fingerprint))
        + _block("Signing it", _signing(certificate))
    )


def _before_it_runs(certificate: Certificate) -> str:
    """Draw the cautions and the closing list."""
    cautions = "".join(f"<li>{ink(each)}</li>" for each in certificate.cautions)
    tick = '<path d="M2.5 6.5l3 3l5 -8"/>'
    closing = "".join(
        '<li><svg class="box" viewBox="0 0 12 12" aria-hidden="true">'
        f'<rect x="0.6" y="0.6" width="10.8" height="10.8"/>{tick if each.done else ""}</svg>'
        f"<span>{ink(each.words)}</span></li>"
        for each in certificate.closing
    )
    return _block("Cautions", f'<ul class="cautions">{cautions}</ul>') + _block(
        "Closing list, before the engine runs", f'<ul class="closing">{closing}</ul>'
    )


def _block(title: str, body: str) -> str:
    return f'<div class="block"><h3>{title}</h3>{body}</div>'


def _method(certificate: Certificate) -> str:
    stated = certificate.stated
    run_up, contacts = stated.run_up, stated.contacts
    meanings = sorted({each.meaning for each in stated.units})
    said = [
        *certificate.method,
        f"A reading is valid after an approach of {run_up.needed_deg:g}° in the normal direction; "
        f"a backward movement beyond {run_up.forgiven_deg:g}° restarts it.",
        f"Contacts closed for {contacts.closed_end_ms:g} ms end a transition; openings of up to "
        f"{contacts.longest_dropout_ms:g} ms before it are drop-outs; contacts open for "
        f"{contacts.least_open_ms:g} ms stay open.",
        f"The manual's opening is that of the {' or the '.join(meanings)}.",
    ]
    return f"<p>{' '.join(ink(each) for each in said)}</p>"


def _reference(certificate: Certificate) -> str:
    of, engine = certificate.reference, certificate.stated.engine
    by_hand = of.method is Method.BY_HAND
    by = "<b>set by hand</b>: no recording gives it" if by_hand else ink(of.by)
    if of.forward_deg and of.backward_deg and not by_hand:  # at a mark the crank stood once
        by += f", {many(len(of.forward_deg) + len(of.backward_deg), 'touch', 'touches')}"
    at = f"{after_index_with(of.tdc_deg, of.uncertainty.U_deg)}, cylinder {of.cylinder}"
    pairs = [("found by", by), ("at", at), ("made", ink(utc_shown(of.made_utc) or "not known"))]
    if engine.entered_tdc_deg:
        within = engine.entered_tdc_within_deg
        tops = ", ".join(f"cyl. {c} {deg:g}°" for c, deg in sorted(engine.entered_tdc_deg.items()))
        known = f"each ± {within:g}°" if within else "taken as exact: no uncertainty was entered"
        pairs.append(("entered", f"{tops} after cylinder 1's; {known}"))
    if of.capture:
        pairs.append(("entered for" if by_hand else "recording", ink(of.capture)))
    for other in certificate.other_references:
        shown = after_index_with(other.tdc_deg, other.uncertainty.U_deg)
        pairs.append((ink(other.by), f"{shown}, not used"))
    return _pairs(pairs) + "".join(f"<p>{ink(each)}</p>" for each in (of.how, *of.warnings))


def _rig(certificate: Certificate) -> str:
    encoder, program = certificate.stated.encoder, certificate.program
    rigs = dict.fromkeys((e.rig_name, e.protocol, e.counts_per_turn) for e in certificate.captures)
    pairs = [
        ("rig", f"{ink(name)}, line format {protocol}, {many(counts, 'count')} a turn")
        for name, protocol, counts in rigs
    ]
    own = f"graduation ± {encoder.graduation_error_deg:g}°, run-out {encoder.run_out_deg:g}°"
    pairs.append(("encoder", f"{_mounting(encoder)}{own} (from the engine file)"))
    good: defaultdict[str, list[str]] = defaultdict(list)  # by what was checked: its captures
    for each in certificate.rig_checks:
        capture, _, name = each.name.rpartition(": ")
        if each.verdict == "good":
            good[name].append(capture)
    alike: defaultdict[tuple[str, ...], list[str]] = defaultdict(list)
    for name, captures in good.items():
        alike[tuple(captures)].append(name)
    for files, names in alike.items():
        of = f", in {listed(files)}" if any(files) else ""
        pairs.append(("rig check", f"<b>good</b>: {ink(', '.join(names) + of)}"))
    pairs += [
        (ink(each.name), f"<b>{ink(each.verdict)}</b>: {ink(each.words)}")
        for each in certificate.rig_checks
        if each.verdict != "good"
    ]
    libraries = ", ".join(f"{ink(name)} {ink(of)}" for name, of in program.libraries.items())
    made = f"{ink(program.name)} {ink(program.version)}, Python {ink(program.python)}, {libraries}"
    return _pairs([*pairs, ("computed by", f"{made}; {ink(program.machine)}")])


def _mounting(encoder: Encoder) -> str:
    """How a geared encoder is driven; empty for one on the crank."""
    text = ""
    if encoder.turns_per_crank_turn != 1:
        text = f"makes {many(encoder.turns_per_crank_turn, 'turn')} for one of the crank, "
    if index_places(encoder) > 1:
        apart = f"{places_apart_deg(encoder):g}°"
        text += f"its index at {many(index_places(encoder), 'place')} of it, {apart} apart, "
    if encoder.backlash_deg:
        text += f"backlash {encoder.backlash_deg:g}° ± {encoder.backlash_error_deg:g}° of crank, "
    return text


def _prints(certificate: Certificate, fingerprint: str) -> str:
    engine = certificate.engine_file
    prints = [
        ("this record", "its .json file without the last five lines", fingerprint),
        *((ink(each.file), _about(each), each.sha256) for each in certificate.captures),
        (ink(engine.name), many(engine.size_bytes, "byte"), engine.sha256),
    ]
    # Anything but a digit of a fingerprint shows as "?".
    drawn = "".join(
        f"<p><b>{name}</b> {about}</p>"
        f'<p class="print">{grouped(re.sub("[^0-9a-f]", "?", sha256[:64]))}</p>'
        for name, about, sha256 in prints
    )
    return f"{drawn}<p>{schema.DIGESTS}</p><p>{schema.VERIFYING}</p>"


def _about(of: CaptureFacts) -> str:
    errors = ", ".join(f"{n} {ink(kind)}" for kind, n in of.troubles.items()) or "none"
    return (
        f"{many(of.size_bytes, 'byte')}, {many(of.lines, 'line')}, line errors: {errors}; "
        f"{ink(utc_shown(of.start_utc))} to {ink(utc_shown(of.end_utc)[11:])}; {ink(of.used_for)}"
    )


def _signing(certificate: Certificate) -> str:
    name = visible(certificate.identification) + ".json"
    ssh, gpg = seal.to_sign(name)
    return (
        "<p>To show who answers for it, sign the record with a tool that you already have, and "
        "keep the signature beside it. Either of these makes one; the verify command says how "
        "to check it.</p>"
        f"<pre>{escape(ssh.removesuffix(name))}\\\n    {escape(name)}\n{escape(gpg)}</pre>"
    )


def _pairs(pairs: Sequence[tuple[str, str]]) -> str:
    rows = "".join(f"<dt>{name}</dt><dd>{value}</dd>" for name, value in pairs)
    return f'<dl class="pairs">{rows}</dl>'


def _css_text(text: str) -> str:
    """``text`` for a string within the style sheet: all but the plainest characters escaped."""
    return "".join(
        each if each.isascii() and (each.isalnum() or each in " -.") else f"\\{ord(each):x} "
        for each in text
    )


@cache
def _text(name: str) -> str:
    return resources.files("rig.certificate").joinpath(name).read_text(encoding="utf-8")
