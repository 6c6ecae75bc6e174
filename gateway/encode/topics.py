"""Where each message goes."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Topics:
    """The topics of one vessel: `<root>` = prefix/vessel, `<base>` = root/engine. Source: interface, section 3."""

    prefix: str
    vessel: str

    @property
    def root(self) -> str:
        """`<root>`."""
        return f"{self.prefix}/{self.vessel}"

    def base(self, engine: str | None) -> str:
        """`<base>` of an engine, `<root>` for the gateway itself (`None`)."""
        return self.root if engine is None else f"{self.root}/{engine}"

    @property
    def presence(self) -> str:
        """Retained; also the will."""
        return f"{self.root}/presence"

    def reading(self, engine: str) -> str:
        """The present of one engine."""
        return f"{self.base(engine)}/reading"

    def trend(self, engine: str) -> str:
        """Wear and forecast of one engine; retained."""
        return f"{self.base(engine)}/trend"

    def alarm(self, engine: str | None, tag: str) -> str:
        """The present state of one alarm; retained."""
        return f"{self.base(engine)}/alarm/{tag}"

    def event(self, engine: str | None) -> str:
        """The durable record."""
        return f"{self.base(engine)}/event"

    @property
    def do(self) -> str:
        """Requests from aboard."""
        return f"{self.root}/do"

    @property
    def done(self) -> str:
        """Answers to requests."""
        return f"{self.root}/done"

    @property
    def received(self) -> str:
        """The shore's receipt; retained."""
        return f"{self.root}/received"
