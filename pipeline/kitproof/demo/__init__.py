"""A modelled kit in a room, for a first try and for tests with a known truth."""

from kitproof.demo.build import build_demo, write_kit, write_take
from kitproof.demo.groove import Stroke
from kitproof.demo.scenario import Scenario, load_scenario
from kitproof.demo.stage import NO_PLAN, Stage, TakeSpec, set_up
from kitproof.demo.take import LEAD_S, render_take, single_hit
from kitproof.demo.truth import DemoFault, DemoHit, DemoTruth

__all__ = [
    "LEAD_S",
    "NO_PLAN",
    "DemoFault",
    "DemoHit",
    "DemoTruth",
    "Scenario",
    "Stage",
    "Stroke",
    "TakeSpec",
    "build_demo",
    "load_scenario",
    "render_take",
    "set_up",
    "single_hit",
    "write_kit",
    "write_take",
]
