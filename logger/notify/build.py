"""Construction of channels and notifiers from the configuration."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from logger.config.notifiers import (
    CommandOptions,
    InhibitOptions,
    MailOptions,
    MqttOptions,
    NotifierOptions,
    WebhookOptions,
)
from logger.notify.channel import ChannelContext, DeliveryChannel
from logger.notify.fault_reports import Advise
from logger.notify.notifier import Notifier, ReadStatus, Remind


def build_channel(options: NotifierOptions, context: ChannelContext) -> DeliveryChannel:
    """Make the channel of these options; the imports that its kind needs happen here."""
    if isinstance(options, CommandOptions):
        from logger.notify.command import Command

        return Command(options, context)
    if isinstance(options, WebhookOptions):
        from logger.notify.webhook import Webhook

        return Webhook(options, context)
    if isinstance(options, MqttOptions):
        from logger.notify.mqtt import Mqtt

        return Mqtt(options, context)
    if isinstance(options, MailOptions):
        from logger.notify.mail import Mail

        return Mail(options, context)
    if isinstance(options, InhibitOptions):
        from logger.notify.inhibit import Inhibit

        return Inhibit(options, context)
    raise NotImplementedError(options.kind)


def build_notifiers(
    store: Path,
    options_list: Sequence[NotifierOptions],
    context: ChannelContext,
    read_status: ReadStatus,
    advise: Advise,
    remind: Remind = tuple,
) -> list[Notifier]:
    """Make a notifier for each channel.

    `read_status` returns the daemon's status, `advise` what to check of a fault
    or an alarm, `remind` what is due.
    """
    notifiers = []
    for options in options_list:
        notifier = Notifier(
            options,
            store,
            context.station,
            station_id=context.station_id,
            read_status=read_status,
            advise=advise,
            remind=remind,
        )
        notifier.use(build_channel(options, replace(context, wake=notifier.wake)))
        notifiers.append(notifier)
    return notifiers
