"""The certificate's page: one HTML file that needs nothing else, drawn from the record alone.

It holds no script and loads nothing; a policy in its head forbids both. All foreign text goes
through ``rig.base.escape``.
"""

from __future__ import annotations

from functools import cache
from html import escape
from importlib.resources import files
from string import Template

from rig.base.codec import from_plain
from rig.base.escape import ink, visible
from rig.certificate import seal, strips
from rig.certificate.page_budget import budget
from rig.certificate.page_evidence import before_it_runs, evidence
from rig.certificate.page_results import adjustments, comparison, remarks, results
from rig.certificate.schema import Certificate
from rig.certificate.seal import Record
from rig.job.clock import utc_shown


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
        before_it_runs=before_it_runs(of),
        evidence=evidence(of, seal.fingerprint(record)),
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


def _css_text(text: str) -> str:
    """``text`` for a string within the style sheet: all but the plainest spelt out."""
    return "".join(
        each if each.isascii() and (each.isalnum() or each in " -.") else f"\\{ord(each):x} "
        for each in text
    )


@cache
def _text(name: str) -> str:
    return files("rig.certificate").joinpath(name).read_text(encoding="utf-8")
