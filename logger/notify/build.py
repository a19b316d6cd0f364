"""Construction of channels and notifiers from the configuration."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from logger.config.notifiers import (
    CommandOptions,
    InhibitOptions,
    MailOptions,
    MqttOptions,
    NotifierOptions,
    WebhookOptions,
)
from logger.notify.channel import ChannelContext, DeliveryChannel
from logger.notify.notifier import Advise, Notifier, ReadStatus


def build_channel(options: NotifierOptions, surroundings: ChannelContext) -> DeliveryChannel:
    """Make the channel of these options; the imports that its kind needs happen here."""
    if isinstance(options, CommandOptions):
        from logger.notify.command import Command

        return Command(options, surroundings)
    if isinstance(options, WebhookOptions):
        from logger.notify.webhook import Webhook

        return Webhook(options, surroundings)
    if isinstance(options, MqttOptions):
        from logger.notify.mqtt import Mqtt

        return Mqtt(options, surroundings)
    if isinstance(options, MailOptions):
        from logger.notify.mail import Mail

        return Mail(options, surroundings)
    if isinstance(options, InhibitOptions):
        from logger.notify.inhibit import Inhibit

        return Inhibit(options, surroundings)
    raise NotImplementedError(options.kind)


def no_advice(columns: Mapping[str, Any]) -> Sequence[str]:
    """Return no advice."""
    return ()


def build_notifiers(
    store: Path,
    wanted: Sequence[NotifierOptions],
    surroundings: ChannelContext,
    read_status: ReadStatus,
    advise: Advise = no_advice,
) -> list[Notifier]:
    """Make a notifier for each channel.

    `read_status` returns the daemon's status, `advise` the possible causes for an alarm's columns.
    """
    made = []
    for options in wanted:
        notifier = Notifier(
            options, store, surroundings.station, read_status=read_status, advise=advise
        )
        notifier.use(build_channel(options, replace(surroundings, wake=notifier.wake)))
        made.append(notifier)
    return made
