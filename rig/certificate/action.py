"""The action that ends a live run with a certificate."""

from __future__ import annotations

from pathlib import Path

from rig.base.errors import InputError
from rig.certificate.record import save_for_job
from rig.guide.action import Action, Bench, Host, Saved
from rig.guide.procedure import Offer
from rig.job.folder import Job
from rig.job.results import results_of


def save(host: Host) -> Saved:
    """End the capture and save a certificate from it. Raises InputError when it cannot be; where
    there is nothing to certify yet, the capture goes on."""
    if host.session.reference is None:
        raise InputError("top dead centre is not known yet: there is nothing to certify")
    if not host.session.assessments():
        raise InputError("no reading counts yet: there is nothing to certify")
    return host.save(_write)


def _write(job: Job, capture: Path) -> Saved:
    # The capture holds the TDC that the verdicts on the screen rest on.
    found = results_of(job.profile, [capture])
    files = save_for_job(job, found)
    assert found.reference is not None  # else nothing was saved
    return Saved(files, found.reference, tuple(found.assessments), tuple(found.comparisons))


def _why_not(bench: Bench) -> str:
    if bench.host.session.reference is None:
        return "There is nothing to certify yet: find TDC first."
    if not bench.host.session.assessments():
        return "There is nothing to certify yet: turn slowly forward past an opening."
    return ""


def _ask(bench: Bench, _: str) -> None:
    def save_and_say() -> None:
        folder = save(bench.host).files[0].parent
        bench.prompt.say(f"Saved in {folder.relative_to(bench.host.job.folder)}.")

    bench.prompt.ask("End this capture and save the certificate?", save_and_say)


OFFER = Offer(
    (
        Action(
            "save", "s", "save", "end the capture, save the certificate", _ask, undo="asked first",
            why_not=_why_not, steps=("reading",),
        ),
    ),
    save,
)  # fmt: skip
"""To save the certificate."""
