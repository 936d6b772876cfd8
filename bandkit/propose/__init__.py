"""Propose a record for a new image: what can be found in it, each find marked as a proposal."""

from __future__ import annotations

from bandkit.propose.proposals import Picture, Proposals, Proposed, propose
from bandkit.propose.write import new_record, write_record

__all__ = ["Picture", "Proposals", "Proposed", "new_record", "propose", "write_record"]
