"""What goes wrong on Bluetooth, in words: errors of bleak and of the systems below it, with remedies."""

import sys

from capture.control import att_words
from capture.source import SourceError

# ATT errors 0x05, 0x08, 0x0C, 0x0F: insufficient authentication, authorization, key size, encryption
# (Bluetooth Core Specification, vol 3 part F, section 3.4.1.1).
_INSUFFICIENT_SECURITY = (0x05, 0x08, 0x0C, 0x0F)

_REMEDIES = {
    "off": {
        "linux": "Run `rfkill unblock bluetooth`, then `bluetoothctl power on`.",
        "darwin": "Switch it on in System Settings, Bluetooth.",
        "win32": "Switch it on in Settings, Bluetooth & devices.",
    },
    "none": {
        "linux": "Plug one in until `bluetoothctl list` shows it; a virtual machine needs it passed through.",
        "darwin": "Restart the computer; a virtual machine has none.",
        "win32": "Plug one in and see that Device Manager lists it under Bluetooth.",
    },
    "denied": {
        "linux": "Add yourself to its group: `sudo usermod -aG bluetooth $USER`, then log in anew.",
        "darwin": "Allow your terminal in System Settings, Privacy & Security, Bluetooth, and start it anew.",
        "win32": "Allow it in Settings, Privacy & security, Radios.",
    },
    "mute": {
        "linux": "Run `sudo systemctl restart bluetooth`.",
        "darwin": "Answer the question whether the terminal may use Bluetooth, then try again.",
        "win32": "Switch Bluetooth off and on in Settings.",
    },
    "pair": {
        "linux": "`bluetoothctl pair {address}`, then `bluetoothctl trust {address}`",
        "darwin": "answer the system's question for pairing",
        "win32": "Settings, Bluetooth & devices, Add device",
    },
}


def _remedy(what: str, system: str) -> str:
    by_system = _REMEDIES[what]
    return by_system["linux" if system.startswith("linux") else system if system in by_system else "win32"]


def unavailable(error: BaseException, system: str = sys.platform) -> SourceError:
    """Say what of Bluetooth is missing, and the remedy on this `system` (a value of `sys.platform`)."""
    from bleak.exc import BleakBluetoothNotAvailableError, BleakDBusError

    reason = error.reason.name if isinstance(error, BleakBluetoothNotAvailableError) else ""
    dbus = error.dbus_error if isinstance(error, BleakDBusError) else ""
    if reason == "POWERED_OFF" or dbus == "org.bluez.Error.NotReady":
        return SourceError("Bluetooth is switched off", _remedy("off", system))
    if reason == "NO_BLUETOOTH" or (str(error).startswith("adapter ") and "not found" in str(error)):
        return SourceError("There is no Bluetooth adapter that can be used", _remedy("none", system))
    if reason == "NO_BLE_CENTRAL_ROLE":
        remedy = "Plug in an adapter of Bluetooth 4.0 or newer."
        return SourceError("The Bluetooth adapter can't do Bluetooth Low Energy", remedy)
    if reason.startswith("DENIED") or isinstance(error, PermissionError) or dbus.endswith("AccessDenied"):
        return SourceError("This program may not use Bluetooth", _remedy("denied", system))
    if system.startswith("linux") and isinstance(error, FileNotFoundError | ConnectionRefusedError):
        return SourceError(
            "The D-Bus system bus is not running, so Bluetooth can't be reached",
            "Run `sudo systemctl enable --now dbus bluetooth` (package bluez); "
            "in a container, share the host's system bus socket.",
        )
    if _service_is_gone(dbus):
        remedy = "Run `sudo systemctl enable --now bluetooth` (package bluez)."
        return SourceError("The Bluetooth service is not running", remedy)
    if dbus == "org.bluez.Error.InProgress":
        return SourceError(
            "The Bluetooth adapter is busy with an earlier scan",
            "Close other programs that scan, or run `bluetoothctl power off` and `bluetoothctl power on`.",
        )
    if isinstance(error, TimeoutError) or dbus.endswith(".NoReply"):
        return SourceError("Bluetooth did not answer", _remedy("mute", system))
    return SourceError(
        f"Bluetooth can't be used ({type(error).__name__}: {error})",
        "Switch Bluetooth off and on; if that does not help, restart the computer.",
    )


def _service_is_gone(dbus_error: str) -> bool:
    bus = "org.freedesktop.DBus.Error."
    # The bus tries to start the service if nobody owns its name: that fails as `Spawn....`.
    return dbus_error.startswith((bus + "ServiceUnknown", bus + "NameHasNoOwner", bus + "Spawn."))


def wants_pairing(error: BaseException) -> bool:
    """Did the instrument or the system refuse because the two are not paired?"""
    from bleak.exc import BleakDBusError, BleakGATTProtocolError

    if isinstance(error, BleakGATTProtocolError):
        return int(error.code) in _INSUFFICIENT_SECURITY
    text = str(error).lower()
    if isinstance(error, BleakDBusError):
        return ".Error.Authentication" in error.dbus_error or "not paired" in text
    return "access denied" in text or "insufficient authentication" in text


def pairing_remedy(address: str, system: str = sys.platform) -> str:
    """What a person has to do when an instrument wants to be paired."""
    return f"it wants to be paired first: {_remedy('pair', system).format(address=address)}"


def plain(error: BaseException) -> str:
    """Why an attempt failed, in words that follow the name of an instrument."""
    from bleak.exc import BleakDBusError, BleakDeviceNotFoundError, BleakGATTProtocolError

    text = str(error)
    if isinstance(error, TimeoutError):
        return "no answer in time: move closer, or free it from another phone or computer"
    if isinstance(error, BleakDeviceNotFoundError):
        return "it went away before the connection was made"
    if isinstance(error, BleakGATTProtocolError):
        return f"it refused: {att_words(int(error.code))}"
    if isinstance(error, BleakDBusError) and _service_is_gone(error.dbus_error):
        return "the system's Bluetooth service is not running"
    if isinstance(error, BleakDBusError) and error.dbus_error.endswith(".UnknownObject"):
        return "what the system knows of it is out of date"
    if "le-connection-abort-by-local" in text:
        return "interference on the radio broke off the connection"
    if "InProgress" in text:
        return "the adapter is busy with another connection"
    if "not connected" in text.lower() or "disconnected" in text:
        return "the connection broke while it was being set up"
    return f"the connection failed ({' '.join(text.split())[:100] or type(error).__name__})"
