"""A forger who has the program's source: whatever is altered, with all digests computed again, and
the page drawn again, is named by the verification."""

from __future__ import annotations

import functools
import hashlib
import json
import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from made_job import MadeJob, certificate_in, finished, rig

from rig.base.errors import InputError
from rig.certificate import page, seal
from rig.certificate.prove import prove
from rig.job.results import JobResults, results_of

Record = dict[str, Any]
Where = tuple[str | int, ...]

TOLD = {
    # Told by the machine that made the certificate; nothing else knows it.
    ("program", "python"),
    ("program", "machine"),
    ("program", "libraries", "numpy"),
    ("program", "libraries", "scipy"),
}
"""What a signature alone proves. A time of issue that is altered together with the name, and what
was told with --change, are further such things: both are as if the certificate had been made so."""


@functools.cache
def made() -> Path:
    """A job with remarks, changes, both phases of one unit, and openings that do not count."""
    return finished().folder


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return Path(shutil.copytree(made(), tmp_path_factory.mktemp("forged") / "job"))


@pytest.fixture(autouse=True)
def played_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same recordings with the same reference and engine file are played once for all tests."""
    monkeypatch.setattr(
        "rig.certificate.prove.results_of",
        lambda *given, version: worked(repr((given, version)), *given, version=version),
    )


WORKED: dict[str, JobResults] = {}


def worked(key: str, *given: Any, version: str) -> JobResults:
    if key not in WORKED:
        WORKED[key] = results_of(*given, version=version)
    return WORKED[key]


@functools.cache
def genuine() -> str:
    return certificate_in(made()).read_text("ascii")


def leaves(value: Any, where: Where = ()) -> Iterator[tuple[Where, Any]]:
    """Every value that holds no other, with its place."""
    if isinstance(value, dict):
        for name, each in value.items():
            yield from leaves(each, (*where, name))
    elif isinstance(value, list):
        for i, each in enumerate(value):
            yield from leaves(each, (*where, i))
    else:
        yield where, value


def kinds() -> dict[str, Where]:
    """One place for each kind of value in the record: the first of all that differ in number."""
    record = json.loads(genuine())
    del record["seals"]
    found: dict[str, Where] = {}
    for where, _ in leaves(record):
        kind = ".".join("[]" if isinstance(part, int) else part for part in where)
        found.setdefault(kind, where)
    return found


def other(value: Any) -> list[Any]:
    """What a forger may put in the place of a value."""
    if isinstance(value, bool):
        return [not value]
    if isinstance(value, int):
        return [value + 1]
    if isinstance(value, float):
        return [value + 0.25]
    if value is None:
        return [1.0, 1, "x"]
    if value.endswith("Z") and value[:2] == "20":
        return [f"{value[:3]}5{value[4:]}"]
    return [f"{value} indeed", "inside" if value != "inside" else "outside", "good"]


def sealed(job: Path, record: Record) -> Path:
    """Save a record as the program would: its page drawn, all digests right."""
    record.pop("seals", None)
    drawn = page.render(record).encode("utf-8")
    path = certificate_in(job)
    path.write_bytes(seal.file_bytes(record, drawn))
    path.with_suffix(".html").write_bytes(drawn)
    return path


def put(record: Record, where: Where, value: Any) -> None:
    inner: Any = record
    for part in where[:-1]:
        inner = inner[part]
    inner[where[-1]] = value


def named(job: Path, record: Record) -> list[str] | None:
    """What the verification names; None when the record cannot be read at all."""
    try:
        path = sealed(job, record)
    except InputError:
        return None
    return [each.what for each in prove(path) if not each.holds]


def test_the_genuine_one_holds(job: Path) -> None:
    assert named(job, json.loads(genuine())) == []


@pytest.mark.parametrize("kind", kinds())
def test_any_value_altered_with_new_digests_is_named(job: Path, kind: str) -> None:
    where = kinds()[kind]
    record = json.loads(genuine())
    for value in other(functools.reduce(lambda inner, part: inner[part], where, record)):
        altered = json.loads(genuine())
        put(altered, where, value)
        found = named(job, altered)
        if found is None:  # not of that type: it cannot even be read
            continue
        assert (found == []) == (where in TOLD), (where, value, found)
        return


@pytest.mark.parametrize("name", ["issued_utc", "measured_from_utc", "measured_until_utc"])
def test_words_in_place_of_a_time_are_named(job: Path, name: str) -> None:
    altered = json.loads(genuine())
    altered[name] += " or so"
    assert name in (named(job, altered) or ())


@pytest.mark.parametrize(
    "part", ["readings", "judgements", "comparisons", "not_counted", "rig_checks", "deviations",
             "conditions", "rules", "cautions", "closing", "method", "this_is_not"]
)  # fmt: skip
@pytest.mark.parametrize("change", ["last left out", "first twice", "turned round"])
def test_a_list_altered_with_new_digests_is_named(job: Path, part: str, change: str) -> None:
    record = json.loads(genuine())
    before = list(record[part])
    if change == "last left out":
        del record[part][-1:]
    elif change == "first twice":
        record[part] += record[part][:1]
    else:
        record[part].reverse()
    if record[part] != before:
        assert named(job, record)


def test_the_finer_parts_of_an_uncertainty_left_out_are_named(job: Path) -> None:
    record = json.loads(genuine())
    uncertainty = record["judgements"][0]["uncertainty"]
    uncertainty.update(parts=uncertainty["parts"][:1], U_deg=uncertainty["U_deg"] / 2)
    found = named(job, record) or []
    assert "judgements[0].uncertainty.U_deg" in found


# -- inputs, each altered in turn ---------------------------------------------------------------

Forge = Callable[[Path, Record], object]


def engine_file(job: Path, record: Record) -> None:
    """A wider window in the engine file of record and job; the figures worked out with it."""
    file = job / "engine.toml"
    file.write_text(file.read_text("utf-8") + "\n# wider\n", "utf-8")
    again = json.loads(Path(rig("certify", job, "--json").answer["certificate"]).read_bytes())
    for key in ("engine_file", "stated", "judgements"):
        record[key] = again[key]
    shutil.rmtree(Path(job, "certificates", again["identification"]))


def by_hand(_job: Path, record: Record) -> None:
    record["reference"] |= {"method": "set by hand", "tdc_deg": record["reference"]["tdc_deg"] + 1}


def position(_job: Path, record: Record) -> None:
    record["reference"]["tdc_deg"] += 1.0
    for group in record["readings"]:
        group["btdc_deg"] = [deg + 1.0 for deg in group["btdc_deg"]]
    for judgement in record["judgements"]:
        judgement["mean_btdc"] += 1.0


def another_capture(_job: Path, record: Record) -> None:
    record["reference"].update(capture="20260101-000000.capture", made_utc="2026-01-01T00:00:00Z")


def no_capture(_job: Path, record: Record) -> None:
    record["captures"] = []


def capture_for_tdc_alone(_job: Path, record: Record) -> None:
    record["captures"][0]["used_for"] = "top dead centre"


def capture_twice(_job: Path, record: Record) -> None:
    record["captures"] *= 2


def older_version(_job: Path, record: Record) -> None:
    record["program"]["version"] = "0.1.0"
    record["judgements"][0]["words"] = "as it should be"


def earlier_program(_job: Path, record: Record) -> None:
    """Another version's sentences are not compared; but a later one began the recording."""
    record["program"]["version"] = "0.5.0"
    record["judgements"][0]["words"] = "as it should be"


def first_version(_job: Path, record: Record) -> None:
    """Records of version 1 are of program 0.1.0, which has no reason not to be computed again."""
    record.update(version=1, issued_utc="2026-11-30T10:00:00Z")
    record["judgements"][0]["mean_btdc"] += 1.0


def other_libraries(_job: Path, record: Record) -> None:
    """They excuse the last digits, and nothing more."""
    record["program"]["libraries"]["numpy"] = "1.0"
    record["judgements"][0]["marks"] = ["proved twice"]


@pytest.mark.parametrize(
    "forge",
    [engine_file, by_hand, position, another_capture, no_capture, capture_for_tdc_alone,
     capture_twice, older_version, earlier_program, first_version, other_libraries],
)  # fmt: skip
def test_an_input_altered_with_new_digests_is_named(tmp_path: Path, forge: Forge) -> None:
    job = Path(shutil.copytree(made(), tmp_path / "job"))
    record = json.loads(genuine())
    forge(job, record)
    found = named(job, record)
    assert found is None or found, forge.__doc__


def test_a_value_that_stands_twice_is_named(job: Path) -> None:
    """Readers differ in which of the two they take."""
    path = sealed(job, json.loads(genuine()))
    body = path.read_bytes().replace(b'"verdict": ', b'"verdict": "inside",\n   "verdict": ', 1)
    body = body[: body.index(b' "seals"')]
    page_sha256 = hashlib.sha256(path.with_suffix(".html").read_bytes()).hexdigest()
    closing = seal.file_bytes({}, b"").decode("ascii")
    closing = closing[closing.index(' "seals"') :]
    for old, new in zip(
        re.findall("[0-9a-f]{64}", closing),
        (hashlib.sha256(body).hexdigest(), page_sha256),
        strict=True,
    ):
        closing = closing.replace(old, new)
    path.write_bytes(body + closing.encode("ascii"))
    assert [each.what for each in prove(path) if not each.holds] == ["record, its shape"]


def test_what_a_signature_alone_proves_is_said(job: Path) -> None:
    altered = json.loads(genuine())
    altered["changes"].append({"words": "new contacts", "unit": "upper", "noted": False})
    path = sealed(job, altered)
    said = {each.what: each.words for each in prove(path)}
    assert "a signature alone proves it" in said[f"changes[{len(altered['changes']) - 1}]"]


def test_a_reference_by_hand_of_nobody_is_named_and_one_of_the_jobs_file_is_not(
    tmp_path: Path,
) -> None:
    made_ = MadeJob(tmp_path / "job")
    true = made_.rig.truth()["tdc_deg_after_index"]
    made_.do("turn 380 at 150")
    assert rig("tdc", "set", made_.folder, "--tdc-deg", true, "--within", 0.3).status == 0
    made_.do("turn 1450 at 150").end()  # the capture knows of none
    ran = rig("certify", made_.folder, "--json")
    assert ran.status < 2, ran.err
    path = Path(ran.answer["certificate"])
    assert rig("verify", path).status == 0
    file = made_.folder / "reference.json"
    text = file.read_text("utf-8")
    how = '"how": "set by hand"'
    assert text.count(how) == 1
    file.write_text(text.replace(how, '"how": "found by the factory"'), "utf-8")
    proved = rig("verify", path)
    assert proved.status == 1
    assert "neither a recording nor reference.json holds it" in proved.out
    file.unlink()
    assert "no recording holds it, and" in rig("verify", path).out
