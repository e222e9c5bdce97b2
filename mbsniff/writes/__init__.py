"""What an audit traced of writes in, who wrote what to each register and what is wrong with it out."""

from mbsniff.writes.catalogue import KINDS, Kind
from mbsniff.writes.judgements import Judgement
from mbsniff.writes.register_writes import RegisterWrites
from mbsniff.writes.survey import Survey, survey_writes

__all__ = ["KINDS", "Judgement", "Kind", "RegisterWrites", "Survey", "survey_writes"]
