"""A silence in, how the device came back out: requests, reply, setpoint, full round, held values, status."""

from mbsniff.diagnose.recovery.facts import Feedback, Proof, Recovery, Reset, Step, WrittenValue
from mbsniff.diagnose.recovery.find import recoveries, recovery_of
from mbsniff.diagnose.recovery.words import RESET_CAUTION, proof_text, recovery_sentences

__all__ = [
    "RESET_CAUTION",
    "Feedback",
    "Proof",
    "Recovery",
    "Reset",
    "Step",
    "WrittenValue",
    "proof_text",
    "recoveries",
    "recovery_of",
    "recovery_sentences",
]
