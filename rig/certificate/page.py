"""The certificate's page: one HTML file that needs nothing else, drawn from the record alone.

It holds no script and loads nothing; a policy in its head forbids both. All foreign text goes
through ``rig.words.figures``.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from html import escape
from importlib.resources import files
from string import Template

from rig.base.codec import from_plain
from rig.base.escape import ink, visible
from rig.certificate import page_results, seal
from rig.certificate.page_evidence import evidence
from rig.certificate.page_results import comparison, remarks, results
from rig.certificate.schema import Certificate
from rig.certificate.seal import Record
from rig.job.clock import utc_shown


def render(record: Record) -> str:
    """Draw the page of ``record`` (sealed or not). The same record gives the same page.

    Raises InputError when the record is not as SCHEMA.md says.
    """
    certificate = from_plain(Certificate, record, "record")
    return _template("page.html").substitute(
        style=_text("page.css"),
        heading=escape(visible(f"{certificate.title} {certificate.identification}")),
        title=ink(certificate.title),
        name=ink(certificate.identification),
        foot=_css_text(f"{certificate.title} {certificate.identification}"),
        issued=ink(utc_shown(certificate.issued_utc)),
        rim=page_results.rim(),
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
        remarks=remarks(certificate),
        evidence=evidence(certificate, seal.fingerprint(record)),
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
    sources: dict[str, dict[str, None]] = {}
    for unit in stated.units:
        for setting in unit.settings:
            for window in filter(None, (setting.window, *setting.per_cylinder.values())):
                sources.setdefault(window.source, {})[window.stated_as] = None
    figures = "; ".join(_source(*each) for each in sources.items())
    facts = [
        ("Engine", f"{engine.name} {engine.serial}".strip(), f"{about}; {turns}"),
        ("Units", units, f"figures from: {figures}" if figures else ""),
        ("Measured", first, f"to {last[11:] if same_day else last}"),
        ("By", stated.person or "not stated", stated.workshop),
    ]
    return "".join(
        f"<div><dt>{name}</dt><dd>{ink(value)}<small>{ink(more)}</small></dd></div>"
        for name, value, more in facts
    )


def _source(source: str, stated_as: Iterable[str]) -> str:
    words = ", ".join(filter(None, stated_as))
    return f"{source} ({words})" if words else source


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
