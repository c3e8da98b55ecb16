"""The certificate's page: one HTML file that needs nothing else, drawn from the record alone.

It holds no script and loads nothing; a policy in its head forbids both. All foreign text goes
through ``rig.words.figures``.
"""

from __future__ import annotations

from functools import cache
from html import escape
from importlib.resources import files
from string import Template

from rig.base.codec import from_plain
from rig.base.escape import ink, visible
from rig.certificate import seal, strips
from rig.certificate.page_budget import budget, rows_of
from rig.certificate.page_evidence import evidence
from rig.certificate.page_results import adjustments, comparison, remarks, results
from rig.certificate.schema import Certificate
from rig.certificate.seal import Record
from rig.job.clock import utc_shown


def render(record: Record) -> str:
    """Draw the page of ``record`` (sealed or not). The same record gives the same page.

    Raises InputError when the record is not as SCHEMA.md says.
    """
    certificate = from_plain(Certificate, record, "record")
    every = budget(certificate)
    apart = rows_of(certificate) > MOST_ROWS
    return _template("page.html").substitute(
        style=_text("page.css"),
        heading=escape(visible(f"{certificate.title} {certificate.identification}")),
        title=ink(certificate.title),
        name=ink(certificate.identification),
        foot=_css_text(f"{certificate.title} {certificate.identification}"),
        issued=ink(utc_shown(certificate.issued_utc)),
        rim=strips.rim(),
        facts=_facts(certificate),
        this_is=" ".join(ink(each) for each in certificate.this_is),
        this_is_not=" ".join(ink(each) for each in certificate.this_is_not),
        moved="".join(
            f'<p class="statement"><strong>{ink(text)}</strong></p>'
            for text in dict.fromkeys(
                f"{each.capture}: {each.words}." for each in certificate.tdc_moves
            )
        ),
        results=results(certificate),
        comparison=comparison(certificate),
        adjustments=adjustments(certificate),
        remarks=remarks(certificate),
        evidence=evidence(certificate, seal.fingerprint(record), "" if apart else every),
        middle=_third_sheet(certificate, every) if apart else "",
    )


MOST_ROWS = 8


"""Uncertainties that have room on the second sheet; more of them get a sheet of their own."""


def _third_sheet(certificate: Certificate, body: str) -> str:
    """The end of the second sheet, and a third one with every uncertainty."""
    return (
        '</section><section class="sheet wide"><header class="second">'
        "<h2>Each uncertainty, to be worked out again</h2>"
        f'<p class="id"><span>No.</span> {ink(certificate.identification)}</p></header>{body}'
    )


def _facts(certificate: Certificate) -> str:
    stated, engine = certificate.stated, certificate.stated.engine
    about = f"{engine.strokes}-stroke, {engine.cylinders} cyl., firing " + "-".join(
        str(each) for each in engine.firing_order
    )
    turns = f"turns {engine.rotation} seen from the {engine.seen_from}"
    units = "; ".join(f"{each.name} {each.serial}".strip() for each in stated.units)
    first, last = (
        utc_shown(certificate.measured_from_utc),
        utc_shown(certificate.measured_until_utc),
    )
    same_day = first[:10] == last[:10]
    facts = [
        ("Engine", f"{engine.name} {engine.serial}".strip(), f"{about}; {turns}"),
        ("Units", units, ""),
        ("Measured", first, f"to {last[11:] if same_day else last}"),
        ("By", stated.person or "not stated", stated.workshop),
    ]
    return "".join(
        f"<div><dt>{name}</dt><dd>{ink(value)}<small>{ink(more)}</small></dd></div>"
        for name, value, more in facts
    )


def _css_text(text: str) -> str:
    """Give ``text`` for a string within the style sheet: all but the plainest spelt out."""
    return "".join(
        each if each.isascii() and (each.isalnum() or each in " -.") else f"\\{ord(each):x} "
        for each in visible(text)
    )


@cache
def _text(name: str) -> str:
    return files("rig.certificate").joinpath(name).read_text(encoding="utf-8")


@cache
def _template(name: str) -> Template:
    return Template(_text(name))
