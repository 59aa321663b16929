"""A simulated amplifier and DAQ with known truth. Shares no formula with what measures it."""

from logger.simulator.scenarios import DAILY_WORK, NAMES, Scenario, Truth, Work, scenario

__all__ = ["DAILY_WORK", "NAMES", "Scenario", "Truth", "Work", "scenario"]
