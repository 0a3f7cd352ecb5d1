"""What other features may use of the plan."""

from covermap.plan.actions import ACTIONS, RULE_IDS
from covermap.plan.field_plan import FieldPlan
from covermap.plan.plan_field import plan_field, wants_plan
from covermap.plan.plan_text import with_words
from covermap.plan.write_plan import write_plan

__all__ = [
    "ACTIONS",
    "RULE_IDS",
    "FieldPlan",
    "plan_field",
    "wants_plan",
    "with_words",
    "write_plan",
]
