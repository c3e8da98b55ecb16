"""The page: drawn from the record alone, whole in itself, harmless whatever the record holds."""

from __future__ import annotations

import copy
import re
from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest
from fabricated_record import capture_facts, profile, readings, record, reference
from page_reader import PageReader

from rig.base.errors import InputError
from rig.certificate import page, seal
from rig.certificate.schema import Closing
from rig.engine.profile import Geometry, Window
from rig.job.results import Change, MadeAdjustment, PredictedOpening
from rig.signal.events import Reason, Rejection
from rig.tdc.reference import Method
from rig.timing.assess import assess
from rig.timing.compare import compare_units
from rig.timing.values import Reading
from rig.words.assessments import assessment_in_full

HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "</style><script>x</script>",
    "\x1b[2J\x07\x00",
    "safe\u202egnp.exe",
    "$name ${style} $",
    '\\3c "; } body { display: none',
    "a" * 5000,
    "\ud800",
)


def text_of(made: dict[str, Any]) -> str:
    return PageReader(page.render(made)).text


@pytest.mark.parametrize(
    "made",
    [
        record(),
        record(phases=("as found", "as left")),
        record(cylinders=1, units=("rear",)),
        record(cylinders=9, units=("front", "rear", "middle")),
        record(n=1),
    ],
    ids=["two units", "found and left", "one cylinder", "nine", "one reading each"],
)
def test_the_page_is_well_formed(made: dict[str, Any]) -> None:
    assert PageReader(page.render(made)).faults == []


def test_the_same_record_gives_the_same_page() -> None:
    assert page.render(record()) == page.render(record())


def test_sealing_changes_nothing_of_the_page() -> None:
    sealed = seal.parse(seal.file_bytes(record(), b""), "it")
    assert page.render(sealed) == page.render(record())


def test_the_page_forbids_scripts_and_outside_loads() -> None:
    drawn = page.render(record())
    reader = PageReader(drawn)
    policy = "default-src 'none'; style-src 'unsafe-inline'; img-src data:"
    assert any(name == "content" and value.startswith(policy) for name, value in reader.attributes)
    assert not {"script", "link", "img", "iframe", "object", "form", "a"} & set(reader.tags)
    assert not [name for name, _ in reader.attributes if name.startswith("on")]
    assert not [name for name, _ in reader.attributes if name in ("src", "href", "style")]
    assert not re.search(r"https?:|//|@import|url\((?!#hatch)", drawn)


def test_it_says_on_its_face_what_it_is_and_is_not() -> None:
    text = text_of(record())
    assert "contacts of each ignition unit open, with the engine turned by hand" in text
    assert "Not the timing of the running spark." in text
    assert "Not a release to service" in text


def test_the_figures_are_those_of_the_record() -> None:
    made = record()
    text = text_of(made)
    for each in made["judgements"]:
        mean, U_deg = each["mean_btdc"], each["uncertainty"]["U_deg"]
        assert f"{mean:.2f} ± {U_deg:.2f}" in text  # all within 0.1 to 1 degree
    for each in made["comparisons"]:
        assert f"{abs(each['difference_deg']):.2f}" in text


def test_the_verdict_on_a_pair_is_not_broken_within_a_word() -> None:
    """The sheet lets long names break anywhere; beside many cylinders a short word broke, too."""
    drawn = page.render(record())
    cells = re.findall(r'<td class="said">([^<]*)</td>', drawn)
    assert cells
    assert {cell.partition(":")[0] for cell in cells} <= {"inside", "outside", "inconclusive"}
    style = drawn[drawn.index("<style") : drawn.index("</style>")]
    assert re.search(r"\.plain td\.said \{[^}]*overflow-wrap: normal;", style)


def test_the_fingerprints_stand_on_the_page_in_groups() -> None:
    made = record()
    text = text_of(made).replace(" ", "")
    for each in (
        made["captures"][0]["sha256"],
        made["engine_file"]["sha256"],
        seal.fingerprint(made),
    ):
        assert each in text


def test_it_says_what_digests_do_not_prove_and_how_to_sign() -> None:
    text = text_of(record())
    assert "It does not show who made the file" in text
    assert f"gpg --armor --detach-sign {record()['identification']}.json" in text
    assert "ssh-keygen -Y sign -n file" in text


def test_the_closing_list_has_boxes_and_ticks() -> None:
    closing = [Closing("Stop out", True), Closing("Earth lead refitted and switch proved", False)]
    drawn = page.render(record(closing=closing))
    boxes = re.findall(r'<svg class="box".*?</svg>\s*<span><bdi>(.*?)</bdi>', drawn, re.DOTALL)
    assert boxes == ["Stop out", "Earth lead refitted and switch proved"]
    ticks = ["path" in each for each in re.findall(r'<svg class="box".*?</svg>', drawn, re.DOTALL)]
    assert ticks == [True, False]


def test_conditions_deviations_and_changes_are_told() -> None:
    text = text_of(
        record(
            deviations=["The stop was not touched again."],
            changes=[Change("new contact set", "lower")],
        )
    )
    assert "Shed 17 °C" in text
    assert "The stop was not touched again" in text
    assert "lower: new contact set" in text


def test_readings_that_did_not_count_are_told_by_their_reason() -> None:
    job = profile()
    read = readings(job)
    late = [
        replace(each, rejection=Rejection(Reason.SHORT_APPROACH, (i + 0.5, 20.0)))
        for i, each in enumerate(read[:5])
    ]
    text = text_of(record(readings=[*late, *read[5:]]))
    assert "approach of …° only; …° needed (21)" in text


def test_as_found_and_as_left_stand_side_by_side() -> None:
    made = record(phases=("as found", "as left"))
    text = text_of(made)
    assert "full advance, as left" in text
    assert "as found , °" in text
    assert page.render(made).count('class="mean past"') == 20  # 2 units, 2 settings, all and 4


def test_a_verdict_on_one_cylinder_shows_at_the_head() -> None:
    job = profile()
    read = [
        replace(each, btdc_deg=(each.btdc_deg or 0.0) + 3.0 * (each.cylinder == 3))
        for each in readings(job)
        if (each.unit, each.setting) == ("upper", "full advance")
    ]
    judged = assess(read, job, reference())
    text = text_of(record(readings=read, judgements=judged, comparisons=[]))
    (own,) = (j for j in judged if j.cylinder == 3)
    assert f"early by {assessment_in_full(own).split()[0]}°: cylinder 3" in text


def test_a_unit_outside_is_called_so_and_how_far() -> None:
    job = profile()
    read = [replace(each, btdc_deg=(each.btdc_deg or 0.0) + 3.0) for each in readings(job)]
    judged = assess(read, job, reference())
    text = text_of(record(readings=read, judgements=judged))
    worst = max(judged[:5], key=lambda j: j.mean_btdc or 0.0)
    assert f"early by {assessment_in_full(worst).split()[0]}°" in text
    assert assessment_in_full(judged[0]).endswith("degrees early of nominal)")
    assert "beyond the early limit" in assessment_in_full(judged[0])


def test_readings_in_groups_stand_where_the_figure_would() -> None:
    """A unit that moved by three degrees between readings: nothing in between is drawn."""
    job = profile()
    read = [
        replace(each, btdc_deg=(each.btdc_deg or 0.0) + 3.0 * (each.unit == "upper" and i % 8 > 3))
        for i, each in enumerate(readings(job))
    ]
    judged = assess(read, job, reference())
    whole = judged[0]
    assert (whole.cylinder, whole.mean_btdc, len(whole.groups)) == (None, None, 2)
    text = text_of(record(readings=read, judgements=judged))
    assert "no figure: readings in groups" in text
    assert assessment_in_full(whole) in text
    assert assessment_in_full(judged[1]).removeprefix("no mean, ") in text


def test_windows_stated_per_cylinder_have_no_common_figure() -> None:
    job = profile(2)
    units = tuple(
        replace(
            unit,
            settings=tuple(
                replace(each, per_cylinder={1: each.window, 2: each.window})
                for each in unit.settings
                if each.window
            ),
        )
        for unit in job.units
    )
    job = replace(job, units=units)
    read = readings(job)
    text = text_of(record(profile=job, readings=read, judgements=assess(read, job, reference())))
    assert text.count("each cylinder by its own figure") == 4


def test_other_kinds_of_reading_stand_in_blocks_of_their_own() -> None:
    job = profile()
    read = [
        *readings(job),
        Reading("upper", "full advance", 1, 0, -6.1, 366.0, 500.0, None, kind="impulse"),
        Reading("upper", "full advance", 1, 0, 36.1, 366.0, 600.0, None, kind="set"),
    ]
    judged = assess(read, job, reference())
    text = text_of(record(readings=read, judgements=judged))
    assert "full advance, as found, impulse coupling engaged" in text
    assert "full advance, as found, set with the crank held" in text
    assert "6.10° ATDC one reading" in text
    assert "no window set" not in text  # the window is there, but they have no verdict by it


def test_a_unit_one_crank_turn_out_stands_apart() -> None:
    job = profile()
    read = [replace(each, wrong_stroke=each.unit == "lower") for each in readings(job)]
    text = text_of(record(readings=read, judgements=assess(read, job, reference()), comparisons=[]))
    assert "full advance, as found, one crank turn out" in text


def test_an_unstated_stroke_is_told_with_the_figure() -> None:
    job = profile()
    read = [replace(each, stroke_known=False) for each in readings(job)]
    text = text_of(record(readings=read, judgements=assess(read, job, reference())))
    assert "inside, firing TDC not entered" in text


@pytest.mark.parametrize("evil", HOSTILE)
def test_hostile_text_anywhere_is_shown_harmless(evil: str) -> None:
    # No engine file has a name that is not printable, or so long: a record with one is refused.
    name = evil if evil.isprintable() and len(evil) <= 80 else "plain"
    job = profile(2, (name, "lower"))
    engine = replace(job.engine, name=name, serial=name, seen_from=name)
    job = replace(job, engine=engine, person=name, workshop=name, synchronism=())
    read = [
        replace(each, rejection=None if each.valid else Rejection(Reason.BY_HAND, (evil,)))
        for each in readings(job)
    ]
    found = replace(
        reference(), method=Method.MARK, mark=evil, how=evil, made_utc=evil, warnings=(evil,)
    )
    made = record(
        profile=job,
        reference=found,
        other_references=[found],
        readings=read,
        judgements=assess(read, job, found),
        comparisons=compare_units(read, job, found),
        captures=[
            replace(capture_facts(), file=evil, rig_name=evil, used_for=evil, troubles={evil: 1})
        ],
        conditions=[evil],
        deviations=[evil],
        changes=[Change(evil, evil)],
        closing=[Closing(evil)],
        cautions=[evil],
    )
    drawn = page.render(made)
    reader, plain = PageReader(drawn), PageReader(page.render(record()))
    assert reader.faults == []
    assert set(reader.tags) <= set(plain.tags) | {"p"}
    assert {name for name, _ in reader.attributes} == {name for name, _ in plain.attributes}
    assert not re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]", drawn)
    drawn.encode("utf-8")


def test_hostile_text_cannot_leave_the_style_sheet() -> None:
    made = record() | {"title": '"; } </style><script>alert(1)</script>'}
    drawn = page.render(made)
    style = drawn[drawn.index("<style>") : drawn.index("</style>")]
    foot = re.search(r'@bottom-left \{ content: "([^"]*)"; \}', style)
    assert foot
    assert re.fullmatch(r"(?:[A-Za-z0-9 .\-]|\\[0-9a-f]+ )+", foot[1])
    assert "script" not in PageReader(drawn).tags


@pytest.mark.parametrize("name", ["sd_deg", "earliest_btdc", "nominal_btdc", "latest_btdc", "n"])
@pytest.mark.parametrize("value", [-1e308, 10**40])
def test_a_figure_that_cannot_be_is_refused_by_its_name(name: str, value: object) -> None:
    edited = copy.deepcopy(record())
    edited["judgements"][0][name] = value
    with pytest.raises(InputError, match=name):
        page.render(edited)


def test_a_record_that_is_none_is_refused() -> None:
    with pytest.raises(InputError, match=r"record\.reference: is missing"):
        page.render({name: value for name, value in record().items() if name != "reference"})


def test_a_geared_encoder_and_its_play_are_told() -> None:
    job = profile(2)
    geared = replace(
        job.encoder, turns_per_crank_turn=Fraction(9, 16), backlash_deg=0.4, backlash_error_deg=0.1
    )
    text = text_of(record(profile=replace(job, encoder=geared), cylinders=2))
    assert (
        "makes 9/16 turns for one of the crank, its index at 9 places of it, 40° apart,"
        " backlash 0.4° ± 0.1° of crank, graduation"
    ) in text
    assert "turns for one of the crank" not in text_of(record())


def test_the_verdicts_stand_first_the_worst_of_them_at_the_head() -> None:
    job = profile()
    read = [
        replace(each, btdc_deg=(each.btdc_deg or 0.0) - 3.0 * (each.unit == "lower"))
        for each in readings(job)
    ]
    made = record(readings=read, judgements=assess(read, job, reference()), comparisons=[])
    text = text_of(made)
    summary = text[text.index("outside lower, full advance") : text.index("earlier at the left")]
    assert re.fullmatch(
        r"outside lower, .* inside upper, full advance; upper, full retard ?", summary
    )


def test_every_limit_stands_beside_its_result_with_its_source() -> None:
    text = text_of(record())
    assert text.count("nominal 36°, window 37° to 35° BTDC; ") == 2
    assert text.count("s at most 0.25°; maker's manual, page 14") == 4
    assert "36 degrees, 1 either way" not in text  # as entered: the same once more
    assert "upper earlier than lower by window by maker's manual, page 15" in text
    assert not re.search("wanted|permitted", text)


def test_limits_that_differ_stand_with_each_cylinder() -> None:
    job = profile(2)
    window = Window(37.0, 36.0, 35.0, "table 4")
    per = {1: window, 2: replace(window, earliest_btdc=37.4, nominal_btdc=36.4, latest_btdc=35.4)}
    units = tuple(
        replace(u, settings=(replace(u.settings[0], per_cylinder=per),)) for u in job.units
    )
    job = replace(job, units=units)
    read = readings(job)
    text = text_of(record(profile=job, readings=read, judgements=assess(read, job, reference())))
    assert "nominal (window), °" in text
    assert "36 (37 to 35)" in text
    assert "36.4 (37.4 to 35.4)" in text
    assert "s at most 0.25°; table 4" in text


def test_results_stand_in_the_measure_of_the_manual_too() -> None:
    """4.75 in stroke, 10 in rod: 23.897701 degrees is 1/4 in of travel, and 25 degrees 6.934684 mm
    or 0.2730 in (Heywood, ch. 2, from memory; worked out at 50 digits)."""
    job = profile(1, ("rear",))
    window = Window(25.0, 23.897701, 22.8, "card", "nominal 1/4 in", "in_travel")
    unit = replace(job.units[0], settings=(replace(job.units[0].settings[0], window=window),))
    engine = replace(job.engine, geometry=Geometry(120.65 / 2, 254.0, 0.0))
    job = replace(job, engine=engine, units=(unit,))
    read = [
        replace(each, btdc_deg=23.897701 + 0.05 * (i % 3 - 1))
        for i, each in enumerate(readings(job, n=7))
    ]
    judged = assess(read, job, reference())
    text = text_of(record(profile=job, readings=read, judgements=judged, comparisons=[]))
    assert "0.250 ± 0.007 in piston drop" in text
    assert "piston drop: nominal 0.25 in, window 0.273 to 0.2" in text
    assert "nominal 23.90°, window 25.00° to 22.80° BTDC" in text


def test_each_inconclusive_figure_has_its_probability() -> None:
    job = profile()
    read = [
        replace(each, btdc_deg=(each.btdc_deg or 0.0) + 0.9)
        for each in readings(job)
        if (each.unit, each.setting) == ("upper", "full advance")
    ]
    judged = assess(read, job, reference())
    open_ = [each for each in judged if each.verdict == "inconclusive"]
    assert len(open_) > 2
    text = text_of(record(readings=read, judgements=judged, comparisons=[]))
    for each in open_:
        assert each.probability_inside is not None
        assert f"inconclusive, {100 * each.probability_inside:.0f} % inside" in text


def test_what_was_adjusted_stands_with_its_prediction() -> None:
    opening = PredictedOpening(
        "upper", "full advance", None, 38.0, -2.0, 36.0, 0.05, 36.04, 0.04, 0.12, "confirmed"
    )
    made = MadeAdjustment(
        "2026-05-14T09:30:00Z", "words", ("turn the body of upper 1.6 mm clockwise",),
        "20260514-093000.json", 64 * "0", (opening, replace(opening, cylinder=1)),
    )  # fmt: skip
    text = text_of(record(adjustments=[made]))
    assert (
        "Adjusted on this job, 2026-05-14 turn the body of upper 1.6 mm clockwise degrees BTDC"
        " cyl. before predicted ± U read since"
        " upper, full advance all 38.000 36.000 ± 0.098 36.04 confirmed"
    ) in text
    assert "Adjusted on this job" not in text_of(record())
