"""The one kind of error that a user sees."""


class UserError(Exception):
    """Something the user can mend, said in one clear sentence.

    The sentence names what is wrong, which file (or option) it is about and what to do.
    The command line prints it without a traceback and ends with exit code 2.
    """


class Refusal(UserError):  # noqa: N818 - it is an answer, not a fault
    """A photo that cannot be measured honestly.

    Parameters
    ----------
    reason : str
        One sentence: what is wrong and what to do.
    code : str
        The code of the quality flag behind it (see `visioncheck.flags`).
    """

    def __init__(self, reason: str, code: str) -> None:
        super().__init__(reason)
        self.code = code
