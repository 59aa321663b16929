"""The feeds that a set-up asks for. What each needs is loaded only where it is asked for."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from logger.clock import Clock
from logger.errors import RequestError
from logger.feeds.feed import Feed, Feeds
from logger.setup import Setup


def feeds_of(setup: Setup, store: Path, clock: Clock, environment: Mapping[str, str]) -> Feeds:
    """Return the feeds of a set-up, not begun; whatever is wrong with one is said by its state."""
    feeds: list[Feed] = []
    if setup.alerts is not None:
        from logger.feeds import alerts

        feeds.append(alerts.feed(setup, clock, environment))
    if setup.mqtt is not None:
        from logger.feeds import mqtt

        feeds.append(mqtt.feed(setup, store, clock, environment))
    return Feeds(feeds)


def odd(setup: Setup, environment: Mapping[str, str]) -> list[str]:
    """Return what is missing for the feeds as things stand here, without a secret in it."""
    out = []
    if setup.alerts is not None:
        from logger.feeds import alerts

        try:
            alerts.addresses_of(setup.alerts, environment)
        except RequestError as error:
            out.append(f"no alert can be sent: {error}")
    if setup.mqtt is not None:
        from logger.feeds import mqtt

        try:
            mqtt.password_of(setup.mqtt, environment)
        except RequestError as error:
            out.append(f"nothing is told over MQTT: {error}")
    return out
