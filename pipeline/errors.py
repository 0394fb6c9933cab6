"""The few exceptions of this project. Each carries one sentence: which file or key, what is wrong, what to do."""


class MoonlessError(Exception):
    """Anything foreseeable that a person can mend; shown as its sentence, without a traceback."""


class SettingsError(MoonlessError, ValueError):
    """A key of `trip.yaml` is unknown, of the wrong type or out of range."""


class InputError(MoonlessError, ValueError):
    """A file or folder that was given cannot be used."""


class FrameError(MoonlessError, ValueError):
    """One raw frame cannot be used; the frame becomes a row with this reason, the run goes on."""


class SceneError(MoonlessError, RuntimeError):
    """A scene cannot be made from what it holds; other scenes go on."""
