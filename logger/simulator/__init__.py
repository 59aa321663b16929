"""A simulated amplifier and DAQ with known truth. Shares no formula with what measures it."""

from logger.simulator.scenarios import NAMES, Scenario, Truth, scenario

__all__ = ["NAMES", "Scenario", "Truth", "scenario"]
