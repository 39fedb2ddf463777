"""First case of a product: a commented case file for a kind of sensor and a kind of circuit."""

from margin.drafting.compose import Drafted, Request, compose
from margin.drafting.kinds import accepting

__all__ = ["Drafted", "Request", "accepting", "compose"]
