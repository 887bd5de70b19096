"""Pictures for people: the plan view of an assessment as a stand-alone SVG."""

from sillcast.draw.plan import PlanRequest, cause_words, plan_svg
from sillcast.draw.sheet import VERDICT_WORDS

__all__ = ["VERDICT_WORDS", "PlanRequest", "cause_words", "plan_svg"]
