"""Everything else, through apprise (an optional extra: ``pip install 'layday[notify]'``)."""

import logging
from typing import TYPE_CHECKING

from collector.errors import SourceError
from collector.notify_config import ChannelConfig
from dashboards.notify.message import Weight
from dashboards.notify.sender import Answer, Limits, Outcome, Outgoing, Secret, cut

if TYPE_CHECKING:
    from apprise import Apprise


class OtherSender:
    """Sends through the service that an address in a file names; the address is a secret.

    Apprise says no more than that it went or did not, so nothing counts as refused for good.
    """

    limits = Limits(head_chars=250, text_chars=2_000)

    def __init__(self, config: ChannelConfig) -> None:
        self._url = Secret(config.url_file, f"channel {config.name}: url_file")

    def send(self, outgoing: Outgoing) -> Answer:
        """Send one message."""
        try:
            service = self._service()
            import apprise

            kind = apprise.NotifyType.WARNING if outgoing.weight is Weight.URGENT else apprise.NotifyType.INFO
            head, text = (
                cut(outgoing.head, self.limits.head_chars),
                cut(outgoing.text, self.limits.text_chars),
            )
            went = service.notify(body=text, title=head, notify_type=kind)
        except Exception as error:  # noqa: BLE001  177 services of other people's
            return Answer(Outcome.LATER, f"{type(error).__name__}" if self._hides(error) else str(error))
        if went:  # what went in part is false
            return Answer(Outcome.SENT, "apprise: sent")
        return Answer(Outcome.LATER, "apprise: the service did not take it")

    def close(self) -> None:
        """Nothing is held."""

    def _hides(self, error: Exception) -> bool:
        """Say whether an error's words may show the address."""
        return not isinstance(error, SourceError)

    def _service(self) -> "Apprise":
        try:
            import apprise
        except ImportError:
            raise SourceError(
                "apprise is not installed; pip install 'layday[notify]', or take another kind"
            ) from None
        logging.getLogger("apprise").setLevel(logging.CRITICAL)  # its log shows addresses
        service = apprise.Apprise()
        if not service.add(self._url.read()):
            raise SourceError("the address in url_file names no service that apprise knows")
        return service
