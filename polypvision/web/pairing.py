"""Who may look over the network: pairing codes, the devices they let in, and wrong guesses counted.

Codes and tokens are random numbers of 128 and 256 bits. Only their SHA-256 is kept: a slow hash is
for secrets that a person made up, and these cannot be guessed (NIST SP 800-63B-4, section 3.1.2:
look-up secrets of 112 bits or more need only a one-way function; from memory).
"""

import hashlib
import hmac
import json
import secrets
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from polypvision.errors import OutputError
from polypvision.files.outputs import json_text, make_private, write_text

CODE_BYTES = 16
TOKEN_BYTES = 32
CODE_LASTS = timedelta(minutes=15)
DEVICE_LASTS = timedelta(days=90)
MAX_GUESSES = 10
MAX_GUESSES_OF_ALL = 60
GUESSES_FORGOTTEN_AFTER = timedelta(minutes=15)
_GUESSES_KEPT = 10 * MAX_GUESSES_OF_ALL
"""So many are remembered at most: whoever floods us with guesses fills no memory."""

Clock = Callable[[], datetime]


def _now() -> datetime:
    return datetime.now(UTC)


def _hash(secret: str) -> str:
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).hexdigest()


@dataclass(frozen=True, kw_only=True)
class Device:
    """A paired device: its number, what it calls itself, hash of its token, and until when."""

    number: int
    name: str
    token_hash: str
    paired_at: datetime
    expires_at: datetime


class Devices:
    """The paired devices, in a file that only its owner may read, and the codes that add one.

    The file is not part of the logbook, so that a copy of the logbook lets nobody in.
    """

    def __init__(self, path: Path, clock: Clock = _now) -> None:
        self._path = path
        self._clock = clock
        self._lock = threading.Lock()
        self._codes: dict[str, datetime] = {}
        self._devices = _read(path)

    def new_code(self) -> str:
        """Return a code that pairs one device, once, within `CODE_LASTS`; older codes still do."""
        code = secrets.token_urlsafe(CODE_BYTES)
        with self._lock:
            now = self._clock()
            self._codes = {key: until for key, until in self._codes.items() if until > now}
            self._codes[_hash(code)] = now + CODE_LASTS
        return code

    def pair(self, code: str, name: str) -> str | None:
        """Return the token of a new device, or None if the code is wrong, used or too old.

        Raises
        ------
        OutputError
            If the list of devices cannot be written; the code then stays good.
        """
        hashed = _hash(code)
        with self._lock:
            now = self._clock()
            until = self._codes.get(hashed)
            if until is None or until <= now:
                return None
            token = secrets.token_urlsafe(TOKEN_BYTES)
            device = Device(
                number=1 + max((one.number for one in self._devices), default=0),
                name=name,
                token_hash=_hash(token),
                paired_at=now,
                expires_at=now + DEVICE_LASTS,
            )
            kept = [one for one in self._devices if one.expires_at > now]
            self._write([*kept, device])
            del self._codes[hashed]
        return token

    def device_of(self, token: str) -> Device | None:
        """Return the device that holds this token, or None."""
        hashed = _hash(token)
        with self._lock:
            now = self._clock()
            found = [one for one in self._devices if hmac.compare_digest(one.token_hash, hashed)]
            return next((one for one in found if one.expires_at > now), None)

    def all(self) -> list[Device]:
        """Return the devices that may look now."""
        with self._lock:
            now = self._clock()
            return [one for one in self._devices if one.expires_at > now]

    def revoke(self, number: int) -> None:
        """Let a device look no more, from now on."""
        with self._lock:
            self._write([one for one in self._devices if one.number != number])

    def _write(self, devices: list[Device]) -> None:
        rows = [
            {
                **asdict(one),
                "paired_at": one.paired_at.isoformat(),
                "expires_at": one.expires_at.isoformat(),
            }
            for one in devices
        ]
        if not self._path.exists():
            # Made before anything is in it; `write_text` keeps the mode.
            make_private(self._path)
        write_text(self._path, json_text(rows))
        self._devices = devices


def _read(path: Path) -> list[Device]:
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return []
    except OSError as error:
        raise OutputError(
            f"The list of paired devices {path} cannot be read ({error.strerror}). Ask its owner."
        ) from error
    try:
        rows = json.loads(text or "[]")
        devices = [Device(**row) for row in rows]
        return [
            replace(
                one,
                paired_at=datetime.fromisoformat(str(one.paired_at)),
                expires_at=datetime.fromisoformat(str(one.expires_at)),
            )
            for one in devices
        ]
    except (ValueError, TypeError) as error:
        raise OutputError(
            f"The list of paired devices {path} is damaged. Delete it, and pair the phones again."
        ) from error


class Guesses:
    """Wrong codes and tokens of late; an address with too many is not heard for a while."""

    def __init__(self, clock: Clock = _now) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._wrong: deque[tuple[datetime, str]] = deque(maxlen=_GUESSES_KEPT)

    def note(self, address: str) -> None:
        """Count a wrong guess."""
        with self._lock:
            self._wrong.append((self._clock(), address))

    def too_many(self, address: str) -> bool:
        """Whether an address, or all together, have guessed wrong too often."""
        with self._lock:
            oldest = self._clock() - GUESSES_FORGOTTEN_AFTER
            while self._wrong and self._wrong[0][0] < oldest:
                self._wrong.popleft()
            own = sum(one == address for _, one in self._wrong)
            return own >= MAX_GUESSES or len(self._wrong) >= MAX_GUESSES_OF_ALL
