"""What a trainer is told to do, and when it is let go: a state machine that neither waits nor sends.

`orders` has what goes out and is shown, `machine` what the trainer tells of itself, `target` which power it
shall hold next, `exchange` what was sent and not yet answered, `control` the phases from asking to letting
go, `trainer` what records, a person and time do to them.
"""

from monitor.controls.trainer.orders import (
    Bequest,
    Load,
    Order,
    Phase,
    RefusedError,
    Said,
    TrainerView,
)
from monitor.controls.trainer.trainer import Trainer

__all__ = ["Bequest", "Load", "Order", "Phase", "RefusedError", "Said", "Trainer", "TrainerView"]
