"""Everything that can go wrong, as one tree; each error says what happened, where, and what to do.

    NightreelError
    ├── RequestError           exit status 2: the request cannot be carried out as asked
    │   ├── ArgumentInvalid        a value outside what is allowed
    │   ├── ConfirmationMissing    a risky action was not confirmed
    │   ├── ShowMissing            no show folder there
    │   ├── NotAShow               a folder, but not a show
    │   ├── ShowInvalid            the show's own documents contradict themselves (lists every problem)
    │   ├── ImportUnclear          an input list that cannot be understood without help
    │   ├── PlanImpossible         what was asked for does not fit
    │   └── TakeMissing            no such take in the show
    └── FailureError           exit status 1: it was tried, and could not be done
        ├── AlreadyThere           something stands where we would write; nothing is ever overwritten
        ├── DiskTrouble            read-only, full, failing or vanished storage
        ├── AudioFileInvalid       a sound file that is broken, hostile or of a kind we cannot read
        ├── TakeDamaged            a take folder that needs recovery, or cannot be trusted
        ├── DeviceTrouble          a sound device that is missing, too small, busy or lost
        ├── NetworkTrouble         a network stream that cannot be joined, parsed or sent
        ├── RecorderBusy           a take is already running there
        ├── RecorderGone           nobody answers at the control socket
        └── ProofFailed            a check of our own did not come out as it must

The same fields reach the terminal, ``--json``, the control protocol and every page.
"""

from __future__ import annotations

from typing import ClassVar


class NightreelError(Exception):
    """Base of the tree: *what* happened, *where*, and what to do *now*."""

    code: ClassVar[str] = "nightreel"
    exit_status: ClassVar[int] = 1

    def __init__(self, what: str, *, where: str = "", now: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.where = where
        self.now = now

    def __str__(self) -> str:
        parts = [f"{self.where}: {self.what}" if self.where else self.what]
        if self.now:
            parts.append(self.now)
        return " ".join(part if part.endswith((".", "?", ":")) else part + "." for part in parts)

    def as_dict(self) -> dict[str, str]:
        """The fields that every interface shows, by the same names."""
        return {"code": self.code, "what": self.what, "where": self.where, "now": self.now}


class RequestError(NightreelError):
    code = "request"
    exit_status = 2


class ArgumentInvalid(RequestError):
    code = "argument-invalid"


class ConfirmationMissing(RequestError):
    code = "confirmation-missing"


class ShowMissing(RequestError):
    code = "show-missing"


class NotAShow(RequestError):
    code = "not-a-show"


class ShowInvalid(RequestError):
    """Holds every problem found, so that the engineer mends them in one go."""

    code = "show-invalid"

    def __init__(self, what: str, *, where: str = "", now: str = "", problems: tuple[str, ...] = ()) -> None:
        super().__init__(what, where=where, now=now)
        self.problems = problems

    def __str__(self) -> str:
        return "\n  - ".join((super().__str__(), *self.problems))


class ImportUnclear(RequestError):
    code = "import-unclear"


class PlanImpossible(RequestError):
    code = "plan-impossible"


class TakeMissing(RequestError):
    code = "take-missing"


class FailureError(NightreelError):
    code = "failure"


class AlreadyThere(FailureError):
    code = "already-there"


class DiskTrouble(FailureError):
    code = "disk-trouble"


class AudioFileInvalid(FailureError):
    code = "audio-file-invalid"


class TakeDamaged(FailureError):
    code = "take-damaged"


class DeviceTrouble(FailureError):
    code = "device-trouble"


class NetworkTrouble(FailureError):
    code = "network-trouble"


class RecorderBusy(FailureError):
    code = "recorder-busy"


class RecorderGone(FailureError):
    code = "recorder-gone"


class ProofFailed(FailureError):
    code = "proof-failed"
