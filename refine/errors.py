"""The one family of errors that refine raises for its user.

Each message gives the place, what was found, what is allowed and what to do; the command line prints it on
one line and exits with the class's `exit_code`. Nothing else may reach the user as a traceback.
"""


class RefineError(Exception):
    """Root of every error that a user of refine may see."""

    exit_code = 2


class InputError(RefineError):
    """Bad input: a file, an option or a value that refine can't accept. Nothing has been written."""

    def __init__(self, place: str, found: str, allowed: str = "", remedy: str = "") -> None:
        self.place, self.found, self.allowed, self.remedy = place, found, allowed, remedy
        parts = [f"{place}: {found}"]
        if allowed:
            parts.append(f"allowed: {allowed}")
        if remedy:
            parts.append(remedy)
        super().__init__("; ".join(parts))


class NoSolution(RefineError):
    """The constraints can't be met together; `clash` names their sources."""

    exit_code = 3

    def __init__(self, message: str, clash: tuple[str, ...] = ()) -> None:
        self.clash = clash
        super().__init__(message)
