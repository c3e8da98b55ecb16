"""The session: records or bytes in, events and results out.

Live, replayed or certified, a job runs through this object. What the person did is in the capture
as notes. A note takes effect at the rig's time at which it was made, so a replay gives the same
readings. The session opens no file, no port and no terminal.
"""

from __future__ import annotations

import bisect
import math
from collections import Counter, deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import partial
from typing import Self

from rig.base.earlier_rules import EarlierRule, Rules
from rig.base.errors import InputError
from rig.engine.profile import Profile
from rig.session.annotations import Annotations, asked_for
from rig.session.diagnostics import Asked, Diagnostic, diagnose
from rig.session.hindsight import Hindsight
from rig.session.kept import MOST_VALID, OpeningLog, PassLog
from rig.session.results import Results
from rig.session.tdc_state import TdcState
from rig.signal import rig_statistics
from rig.signal.events import (
    Event,
    Finding,
    IndexPass,
    Now,
    Opening,
    Reason,
    Rejection,
    Settings,
)
from rig.signal.interpolate import StateWidths
from rig.signal.openings import OpeningFinder, replay
from rig.signal.track import TOLERANCE_COUNTS
from rig.tdc.reference import TdcReference
from rig.timing.impulse import ImpulseLag
from rig.timing.readings import most_closed_deg
from rig.timing.values import Assessment, Comparison, Phase, Reading
from rig.wire.reader import LineReader
from rig.wire.records import Batch, Foot, Identity, LineError, Note, Restart

# Many boards restart when their port is opened: this soon after the first line it is no fault.
AS_PORT_OPENS_US = 3_000_000.0
# Power on, supply dip: causes of a restart that a boot loader does not set. It may set the
# watchdog's or none, as many start the program that way (common practice, no source).
POWER_CAUSES = 1 | 4


class Session(TdcState):
    """One job, from the records of one capture.

    ``rules`` are those of an earlier version of the program by which the capture is read.
    """

    def __init__(
        self,
        profile: Profile,
        reference: TdcReference | None = None,
        rules: Rules = (),
    ) -> None:
        finder = OpeningFinder(signal_settings(profile, rules))
        self.annotations = Annotations(profile, rules)
        self.hindsight = Hindsight(finder, self.annotations, rules)
        super().__init__(profile, reference, rules, finder, self.hindsight)
        self._lines = LineReader()
        self.start_us = 0.0  # the rig's time of the first position
        self.log = OpeningLog()
        self._passes = PassLog()
        self._net_at: dict[int, int] = {}  # input: turns by the index up to its last opening
        self.at_rest_left_out: Counter[int] = Counter()
        self.line_errors: Counter[str] = Counter()
        self.last_error = ""
        self.findings: Counter[tuple[str, int]] = Counter()
        self.identity: Identity | None = None
        self.foot_presses = 0
        self.restarts = 0
        self.began_us: deque[float] = deque(maxlen=MOST_VALID)  # restarts, with openings between
        self._read_us: dict[str, list[float]] = {unit.name: [] for unit in profile.units}
        self._heard_nothing = True
        self._results = Results(self)

    # -- input --------------------------------------------------------------------------------

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exception: object) -> None:
        self.finish()

    def feed(self, data: bytes) -> list[Event]:
        """Take bytes of a live rig, in pieces of any size. Returns what they decided, in order. Use
        the session as a context manager, or call ``finish`` after the last piece."""
        return [event for batch in self._lines.feed(data) for event in self.take(batch)]

    def replay(self, batches: Iterable[Batch]) -> Iterator[tuple[Batch, list[Event]]]:
        """Play a recording to its end: each batch with the events that it decided. The last pair is
        an empty batch with the events that the end decided."""
        return replay(self, batches)

    def take(self, batch: Batch) -> list[Event]:
        """Process a batch. Returns what it decided, in order."""
        for other in batch.others:
            if isinstance(other, Restart):
                if self.stop is not None:
                    self.stop.restarted(self._finder, self.profile)
                self._restarted(other)
        if self._heard_nothing and len(batch.positions):
            self._heard_nothing, self.start_us = False, float(batch.positions[0]["t_us"])
        decided = self._finder.take(batch)
        if self.stop is not None and len(batch.positions):
            self.stop.add(batch.positions, self.settings)
        for other in batch.others:
            if isinstance(other, LineError):
                self.line_errors[other.kind] += other.times
                self.last_error = other.detail
            elif isinstance(other, Identity):
                self.identity = other
            elif isinstance(other, Foot):
                self.foot_presses += other.level
            elif isinstance(other, Note):
                self._noted(other)
        return self._keep(batch, decided)

    def finish(self) -> list[Event]:
        """The recording has ended. Returns what the end decided; a second call decides nothing."""
        events = [event for batch in self._lines.finish() for event in self.take(batch)]
        return events + self._keep(Batch(), self._finder.finish())

    def _keep(self, batch: Batch, decided: list[Event]) -> list[Event]:
        """Take in what was decided. Returns it with what the annotations say about openings."""
        noted = self.hindsight.noted
        events = [noted(event) if isinstance(event, Opening) else event for event in decided]
        if self.hindsight.take(batch, events):
            self._results.forget()
            self.tdcs.forget()
        for event in events:
            if isinstance(event, Opening):
                self.opened(event)
            elif isinstance(event, Finding):
                self.findings[event.kind, event.input] += 1
            elif isinstance(event, IndexPass):
                self._passes.add(event)
                if event.anchored and abs(event.off_counts) > TOLERANCE_COUNTS:
                    self.lose_turns(event.t_us)
        return events

    def opened(self, opening: Opening) -> None:
        """An opening was found."""
        self._results.changed()
        self._net_at[opening.input] = self._passes.net(opening.t_us)
        units = [unit.name for unit in self.profile.units if unit.input == opening.input]
        for name in units if opening.valid else ():
            # The first of each phase shows what a move came after.
            since_us, read_us = self.annotations.phase_began(opening.t_us), self._read_us[name]
            if bisect.bisect_right(read_us, since_us) == len(read_us):
                read_us.append(opening.t_us)
        if (trimmed := self.log.add(opening)) is None:
            return
        stays, gone = trimmed
        self._results.left_out(stays)
        at_rest = [each for each in gone if each.direction == 0]
        asked = self.asked() if at_rest else None
        for name in units if asked else ():
            left = sum(asked is not None and not asked(name, each) for each in at_rest)
            self.at_rest_left_out[opening.input] += left

    @property
    def openings(self) -> Sequence[Opening]:
        """The openings in order of arrival, without those that ``left_out`` counts."""
        return self.log.kept

    @property
    def left_out(self) -> Mapping[int, Mapping[Reason | None, int]]:
        """How many openings are only counted, by input and reason (None: valid)."""
        return self.log.left_out

    @property
    def index_passes(self) -> Sequence[IndexPass]:
        """The latest index passes."""
        return list(self._passes.kept)

    def asked(self) -> Asked:
        """Which openings at rest were asked for."""
        turned_us = [each.t_us for each in self.log.kept if each.direction]
        turned_us += [passed.t_us for passed in self._passes.kept]
        return partial(asked_for, self.annotations, sorted(turned_us))

    def turns_since(self, which: int) -> int:
        """Turns forward by the index since the last opening of an input; none while a switch is
        checked, as the leads are then on."""
        if self.annotations.proving_switch:
            return 0
        return self._passes.net(math.inf) - self._net_at.get(which, 0)

    def was_read(self, unit: str) -> bool:
        """Whether any reading of ``unit`` has been valid."""
        return bool(self._read_us[unit])

    def phase_of(self, unit: str, t_us: float = math.inf) -> Phase:
        """The phase of a reading of ``unit``, now or at ``t_us``."""
        return self.annotations.phase_at(unit, t_us, self._read_us[unit])

    def _restarted(self, restart: Restart) -> None:
        heard = self._finder.latest is not None or bool(self.openings)
        fault = restart.cause & POWER_CAUSES or restart.t_us - self.start_us > AS_PORT_OPENS_US
        if heard and fault:
            self.restarts += 1
        began_us = self.began_us
        last_us = self.openings[-1].t_us if self.openings else -math.inf
        if len(began_us) > 1 and last_us < began_us[-2]:  # nothing to tell them apart by
            began_us.pop()
        began_us.append(restart.t_us)
        self.lose_turns(restart.t_us)

    def lose_turns(self, t_us: float) -> None:
        super().lose_turns(t_us)
        self._results.forget()

    # -- what the person did ------------------------------------------------------------------

    def _noted(self, note: Note) -> None:
        """Take a note. One that makes no sense is counted as a line error, nothing more."""
        self.gauge.take(note, self.places.life)
        act = self.annotations.acts.get(note.name) or self.tdc_acts.get(note.name)
        if act is None:
            return
        self._results.forget()
        if note.name == rig_statistics.NOTE and self.annotations.proving_switch:
            net = self._passes.net(note.t_us)
            self._net_at.update((unit.input, net) for unit in self.profile.units)
        try:
            act(note.t_us, note.value)
        except (KeyError, TypeError, ValueError, InputError) as why:
            self.line_errors["note"] += 1
            self.last_error = f"a note of the kind {note.name!r} makes no sense: {why}"

    # -- the crank and the rig, now -----------------------------------------------------------

    @property
    def settings(self) -> Settings:
        """How the rig is mounted, and when an opening is a reading."""
        return self._finder.settings

    @property
    def state_widths(self) -> StateWidths:
        """Shares of the encoder's four quadrature states, as measured so far."""
        return self._finder.widths

    @property
    def is_receiving(self) -> bool:
        """Whether a position has come since the rig started."""
        return self._finder.latest is not None

    @property
    def is_anchored(self) -> bool:
        """Whether the index was passed since the rig started."""
        return self._finder.track.anchor is not None

    @property
    def angles_lost(self) -> Rejection | None:
        """Why angles are not valid until the next index pass; None while they are."""
        return self._finder.track.lost

    @property
    def illegal(self) -> int:
        """How often the encoder jumped."""
        return self._finder.losses.illegal

    def now(self) -> Now | None:
        """The crank at the newest position; None before the first."""
        return self._finder.now()

    def crank_deg(self) -> float | None:
        """Continuous crank angle now, degrees: the middle of the count; None if not known."""
        if self._finder.latest is None or self._finder.track.lost:
            return None
        return self._finder.middle_deg(float(self._finder.latest["count"]))

    def contact_open(self, contact: int) -> bool | None:
        """Whether the contacts on an input are open now; None before the first position."""
        return self._finder.contact_open(contact)

    def setting_of(self, unit: str) -> str:
        """Name of the present setting of ``unit``."""
        return self.annotations.of[unit].setting.now

    # -- results ------------------------------------------------------------------------------

    def doubts(self, *, over: bool = False) -> list[Diagnostic]:
        """What looks wrong so far, the worst first: lines, counts, contact inputs. Once the
        recording is ``over``, also that no rig was heard in it."""
        heard = self._finder.latest is not None or bool(self.openings or self.restarts)
        return diagnose(self, heard=heard or not over)

    def first_doubt(self) -> Diagnostic | None:
        """The first bad doubt; None when there is none."""
        return next((doubt for doubt in self.doubts() if doubt.bad), None)

    def t_us(self, reading: Reading) -> float:
        """The rig's time at which a reading of this session was taken."""
        return reading.t_s * 1e6 + self.start_us

    def readings(self) -> list[Reading]:
        """Every forward opening of the units, assigned by the present reference."""
        return self._results.now().readings

    def assessments(self) -> list[Assessment]:
        """Per unit, setting, cylinder and phase; empty without a reference."""
        return self._results.now().assessments

    def comparisons(self) -> list[Comparison]:
        """Units compared; empty without a reference."""
        return self._results.now().comparisons

    def lags(self) -> list[ImpulseLag]:
        """The lag of each impulse coupling that shows in the readings."""
        return self._results.now().lags

    def restarted_at(self) -> set[int]:
        """Indices in ``readings()`` at which the rig restarted."""
        return self._results.begins(self.readings())


def signal_settings(profile: Profile, rules: Rules = ()) -> Settings:
    """The settings of the signal room for ``profile``.

    The approach is never less than twice the largest measured backlash. Unequal quadrature states
    are corrected where the worst boundary is further off than the half-width entered for the
    encoder's graduation, which would cover it; without that entry, wherever they are surely
    unequal. ``rules`` as for ``Session``.
    """
    units = () if EarlierRule.EARTHED_READ in rules else profile.units
    encoder = profile.encoder
    backlash_deg = max((unit.backlash_deg or 0.0 for unit in profile.units), default=0.0)
    return Settings(
        counts_per_turn=encoder.counts_per_turn,
        direction=encoder.direction,
        index_level=encoder.index_level,
        encoder_turns_per_crank_turn=float(encoder.turns_per_crank_turn),
        open_levels={unit.input: unit.open_level for unit in profile.units},
        most_closed_deg={unit.input: most_closed_deg(unit, profile) for unit in units},
        closed_end_us=profile.contacts.closed_end_ms * 1e3,
        longest_dropout_us=profile.contacts.longest_dropout_ms * 1e3,
        least_open_us=profile.contacts.least_open_ms * 1e3,
        approach_deg=max(profile.run_up.needed_deg, 2.0 * backlash_deg),
        forgiven_deg=profile.run_up.forgiven_deg,
        widths_worth_counts=encoder.graduation_error_deg * encoder.counts_per_turn / 360.0,
        glitches_count=EarlierRule.GLITCHES_COUNT in rules,
    )
