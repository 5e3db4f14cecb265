"""What a person can mend, said in one line."""


class UserError(Exception):
    """A mistake in the input that one line can explain: the file, what is wrong, the mend."""


class NothingToAuditError(UserError):
    """A card without a single picture."""


class CardFailsError(UserError):
    """The card, or the disk it lies on, does not answer: worth calling again when it does."""


class UnreadableError(UserError):
    """A shot that cannot be decoded; it costs one row, never the audit."""
