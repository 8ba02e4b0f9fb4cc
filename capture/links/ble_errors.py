"""What bleak's errors mean to a person, and what to do next."""

from __future__ import annotations

from collections.abc import Iterator

from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakDBusError,
    BleakDeviceNotFoundError,
    BleakError,
    BleakGATTProtocolError,
    BleakGATTProtocolErrorCode,
)

from capture.errors import BluetoothFault, BluetoothMissing, LinkBusy, LinkDenied, LinkError, LinkMissing

TROUBLE = (BleakError, OSError, EOFError, TimeoutError)
"""What bleak raises when Bluetooth or the D-Bus does not do as asked; see also ``is_trouble``."""

_FAULTS = {
    BluetoothFault.NO_BUS: (
        "there is no D-Bus here, which Bluetooth is reached by. Start it (sudo systemctl start dbus); in a "
        "container, hand in /run/dbus"
    ),
    BluetoothFault.NO_DAEMON: (
        "the Bluetooth service does not run. Start it (sudo systemctl start bluetooth; as root, "
        "apt-get install bluez, if there is none)"
    ),
    BluetoothFault.NO_ADAPTER: "this machine has no Bluetooth adapter. Plug one in",
    BluetoothFault.OFF: (
        "Bluetooth is switched off. Switch it on (bluetoothctl power on; if it is blocked, "
        "rfkill unblock bluetooth)"
    ),
}

_DENIED = "you may not use Bluetooth. Join its group (sudo usermod -aG bluetooth $USER), then log in again"
_UNPAIRED = (
    "the gauge wants to be paired first (bluetoothctl, then: pair and its address), or its button pressed"
)
_BUSY = "another program is using this gauge or is connecting to it. Close it, then try again"
_OUT_OF_RANGE = (
    "the gauge was seen but does not answer: bring it nearer, wake it, and see that no other device holds it"
)

_REASONS = {
    BleakBluetoothNotAvailableReason.NO_BLUETOOTH: BluetoothFault.NO_ADAPTER,
    BleakBluetoothNotAvailableReason.NO_BLE_CENTRAL_ROLE: BluetoothFault.NO_ADAPTER,
    BleakBluetoothNotAvailableReason.POWERED_OFF: BluetoothFault.OFF,
    BleakBluetoothNotAvailableReason.UNKNOWN: BluetoothFault.NO_DAEMON,
}

_Meaning = BluetoothFault | tuple[type[LinkError], str]

_DBUS: dict[str, _Meaning] = {
    "org.freedesktop.DBus.Error.ServiceUnknown": BluetoothFault.NO_DAEMON,
    "org.freedesktop.DBus.Error.NameHasNoOwner": BluetoothFault.NO_DAEMON,
    "org.freedesktop.DBus.Error.NoReply": BluetoothFault.NO_DAEMON,
    "org.freedesktop.DBus.Error.Spawn.ServiceNotFound": BluetoothFault.NO_DAEMON,
    "org.freedesktop.DBus.Error.Spawn.ChildExited": BluetoothFault.NO_DAEMON,
    "org.freedesktop.systemd1.NoSuchUnit": BluetoothFault.NO_DAEMON,
    "org.freedesktop.DBus.Error.AccessDenied": (LinkDenied, _DENIED),
    "org.freedesktop.DBus.Error.UnknownObject": (LinkMissing, _OUT_OF_RANGE),
    "org.bluez.Error.NotReady": BluetoothFault.OFF,
    "org.bluez.Error.Blocked": BluetoothFault.OFF,
    "org.bluez.Error.NotAuthorized": (LinkDenied, _UNPAIRED),
    "org.bluez.Error.NotPermitted": (LinkDenied, _UNPAIRED),
    "org.bluez.Error.AuthenticationFailed": (LinkDenied, _UNPAIRED),
    "org.bluez.Error.AuthenticationRejected": (LinkDenied, _UNPAIRED),
    "org.bluez.Error.InProgress": (LinkBusy, _BUSY),
    "org.bluez.Error.AlreadyConnected": (LinkBusy, _BUSY),
}
"""What the errors of the D-Bus and of the Bluetooth daemon mean."""

_WANTS_PAIRING = {
    BleakGATTProtocolErrorCode.INSUFFICIENT_AUTHENTICATION,
    BleakGATTProtocolErrorCode.INSUFFICIENT_AUTHORIZATION,
    BleakGATTProtocolErrorCode.INSUFFICIENT_ENCRYPTION,
    BleakGATTProtocolErrorCode.INSUFFICIENT_ENCRYPTION_KEY_SIZE,
}


def is_trouble(error: BaseException) -> bool:
    """Tell whether an error is Bluetooth's or the D-Bus's, not a mistake in our own code."""
    return isinstance(error, TROUBLE) or type(error).__module__.partition(".")[0] == "dbus_fast"


def is_service_gone(error: BaseException) -> bool:
    """Tell whether an error says that the Bluetooth daemon or the D-Bus is away, not one gauge alone."""
    if isinstance(error, BleakDBusError):
        return _DBUS.get(error.dbus_error) is BluetoothFault.NO_DAEMON
    return is_trouble(error) and not isinstance(error, (BleakError, TimeoutError))


def why_not(url: str, error: BaseException) -> LinkError:
    """Say why a gauge cannot be reached.

    Args:
        url: The link as given.
        error: One that ``is_trouble``.
    """
    meaning = next((found for found in map(_meaning, _chain(error)) if found), BluetoothFault.NO_BUS)
    if isinstance(meaning, BluetoothFault):
        return fault(url, meaning)
    kind, said = meaning
    return kind(url, said)


def _meaning(error: BaseException) -> _Meaning | None:
    """What one error means; None for those of a D-Bus that cannot be reached, which are of any kind."""
    denied, unpaired = (LinkDenied, _DENIED), (LinkDenied, _UNPAIRED)
    found: _Meaning | None = None
    match error:
        case BleakBluetoothNotAvailableError():
            found = _REASONS.get(error.reason, denied)
        case BleakDBusError():
            details = error.dbus_error_details or error.dbus_error
            found = _DBUS.get(error.dbus_error, (LinkMissing, f"{_OUT_OF_RANGE} ({details})"))
        case BleakGATTProtocolError() if error.code in _WANTS_PAIRING:
            found = unpaired
        case BleakDeviceNotFoundError() | TimeoutError():
            found = (LinkMissing, _OUT_OF_RANGE)
        case BleakError() if "adapter '" in str(error):
            found = BluetoothFault.NO_ADAPTER
        case BleakError():
            found = (LinkMissing, f"{_OUT_OF_RANGE} ({error})")
        case PermissionError():
            found = denied
    return found


def fault(url: str, which: BluetoothFault) -> BluetoothMissing:
    """The error for a machine whose Bluetooth cannot be used."""
    return BluetoothMissing(url, which, _FAULTS[which])


def _chain(error: BaseException | None) -> Iterator[BaseException]:
    while error is not None:
        yield error
        error = error.__cause__ or error.__context__
