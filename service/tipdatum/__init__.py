"""tipdatum: where an excavator's bucket tip is, how sure that is, and how far from grade."""

__version__: str


def __getattr__(name: str) -> str:
    """`__version__`, looked up when somebody asks: most of what starts does without."""
    if name != "__version__":
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("tipdatum")
    except PackageNotFoundError:  # a source tree on the path that was never installed
        return "0+unknown"
