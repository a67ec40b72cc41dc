"""All that may turn out to be a trainer on a bench: which one is shown, which may be armed, which is held."""

from capture.control import trainer_channel
from monitor.controls.output import Ask, Do, Leave, Output, RefusedKeyError
from monitor.controls.trainer import Bequest, Order, Said, Trainer
from monitor.setup.bench import Bench, Instrument


class Trainers:
    """A machine for everything that may be commanded: it has to know the past when it is armed."""

    def __init__(self, bench: Bench) -> None:
        wanted = bench.trainer.label
        self.orphan: tuple[str, float] | None = None
        """A trainer that was held when the recorder went out of reach, and at how many W."""
        self._all = [
            Trainer(each.label, each.link, each.profile, bench.trainer)
            for each in bench.instruments
            if each.label == wanted or (not wanted and _may_be_trainer(each))
        ]
        self._armed_last: Trainer | None = None

    def concerned(self, instrument: str | None) -> list[Trainer]:
        """Those that a record of this instrument, or the mere time, may move."""
        return [each for each in self._all if each.phase != "off" or each.label == instrument]

    def held(self) -> list[Trainer]:
        """Those that are armed from here."""
        return [each for each in self._all if each.armed]

    def have_wills(self) -> bool:
        """Whether a will stands with the recorder, so that signs of life are needed."""
        return any(each.phase in ("asking", "held", "falling") for each in self._all)

    def labels(self) -> tuple[str, ...]:
        """Those that can be armed, in bench order."""
        return tuple(each.label for each in self._able())

    def shown(self) -> Trainer | None:
        """The one to be shown: it is armed, or was last, else it is the only one that could be."""
        armed = [each for each in self._all if each.phase != "off"]
        if armed:
            return armed[0]
        if self._armed_last is not None:
            return self._armed_last
        able = [each for each in self._all if each.ever] or self._able()
        return able[0] if len(able) == 1 else None

    def chosen(self, label: str) -> Trainer:
        """The one to be armed: of that label, or the only one. RefusedKeyError: there is none, or which?"""
        able = self._able()
        if not able:
            raise RefusedKeyError("the bench has no trainer that could be commanded")
        if label:
            able = [each for each in able if each.label == label]
        if len(able) != 1:
            raise RefusedKeyError(f"which trainer? {', '.join(self.labels())}")
        self._armed_last = able[0]
        return able[0]

    def cut_off(self) -> None:
        """The connection to the recorder broke: it carries out the wills."""
        for trainer in self._all:
            if trainer.phase in ("asking", "held", "falling"):
                self.orphan = trainer.label, trainer.view().target_w or 0.0
            trainer.cut_off()

    def _able(self) -> list[Trainer]:
        return [each for each in self._all if _can(each)]


def passed_on(trainer: Trainer, orders: list[Order]) -> list[Output]:
    """The orders of a trainer as what a screen passes on."""
    found: list[Output] = []
    for order in orders:
        match order:
            case Said(text):
                found.append(Do("trainer", text, trainer.label))
            case Bequest():
                found.append(Leave(trainer.label, order))
            case _:
                found.append(Ask(trainer.label, order, trainer=True))
    return found


def _can(trainer: Trainer) -> bool:
    try:
        return bool(trainer.machine.channel)
    except ValueError:
        return False


def _may_be_trainer(instrument: Instrument) -> bool:
    """Whether it could turn out to be one: a scene's and an unnamed profile show it when they are heard."""
    for heard in ((), ("ant17",), ("2AD2",)):
        try:
            trainer_channel(instrument.link, instrument.profile, heard)
        except ValueError:
            continue
        return True
    return False
