"""The action that ends a live run with a certificate."""

from __future__ import annotations

from pathlib import Path

from rig.base.errors import InputError
from rig.certificate.record import save_for_job
from rig.guide.action import Action, Host, Prompt, Saved
from rig.guide.procedure import Begin, Offer
from rig.job.folder import Job
from rig.job.results import results_of


def save(host: Host) -> Saved:
    """End the capture and save a certificate from it. Raises InputError when it cannot be; where
    there is nothing to certify yet, the capture goes on."""
    if host.session.reference is None:
        raise InputError("top dead centre is not known yet: there is nothing to certify")
    if not host.session.judgements():
        raise InputError("no reading counts yet: there is nothing to certify")
    return host.save(_write)


def _write(job: Job, capture: Path) -> Saved:
    # The capture holds the TDC that the verdicts on the screen rest on.
    found = results_of(job.profile, [capture])
    files = save_for_job(job, found)
    assert found.reference is not None  # else nothing was saved
    return Saved(files, found.reference, tuple(found.judgements), tuple(found.comparisons))


def _actions(host: Host, prompt: Prompt, begin: Begin) -> tuple[Action, ...]:
    def save_and_say() -> None:
        prompt.say(f"saved: {save(host).files[0]}")

    return (
        Action("s", "save", "end the capture, save the certificate", "asked first",
               lambda: prompt.ask("End this capture and save the certificate?", save_and_say)),
    )  # fmt: skip


OFFER = Offer(_actions, save)
