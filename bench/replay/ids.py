"""Replay ids: texts that name one found case, printed on failure and accepted in the place of a trace."""

# what stands before the first colon -> module:function that shows the case
KINDS = {
    "twin": "bench.twin.replay_case:show",
    "verify": "bench.verify.replay_id:show",
    "case": "bench.verify.replay_case:show",
}


def shower_of(text: str) -> str | None:
    """module:function for a replay id, None for anything else."""
    kind, colon, _ = text.partition(":")
    return KINDS.get(kind) if colon else None
