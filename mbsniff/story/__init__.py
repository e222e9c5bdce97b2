"""A diagnosis and a question in, what happened around one silence or moment out: in time order, in sentences."""

from mbsniff.story.ask import Ask, AskError
from mbsniff.story.story import Argued, Step, Story, Titled
from mbsniff.story.tell import tell
from mbsniff.story.times import Times, times_in

__all__ = ["Argued", "Ask", "AskError", "Step", "Story", "Times", "Titled", "tell", "times_in"]
