"""A fault in pitscribe itself, told in one line; its traceback only to whoever asks with PITSCRIBE_DEBUG=1."""

import logging
import os


def debugging() -> bool:
    """Whether tracebacks are wanted."""
    return bool(os.environ.get("PITSCRIBE_DEBUG"))


def tell(log: logging.Logger, where: str, error: BaseException) -> None:
    """One line on standard error: which part, what, and how to see more."""
    what = " ".join(f"{type(error).__name__}: {error}".split())
    log.error(
        "%s: %s; PITSCRIBE_DEBUG=1 shows more", where, what[:400], exc_info=error if debugging() else None
    )


class OneLine(logging.Filter):
    """For the loggers of the libraries under us: each record is one line, unless tracebacks are wanted."""

    def filter(self, record: logging.LogRecord) -> bool:
        """Shorten the record; it is always let through."""
        if not debugging():
            error = record.exc_info[1] if record.exc_info else None
            words = " ".join(record.getMessage().split())
            if error is not None:
                words = f"{words[:200]}: {' '.join(f'{type(error).__name__}: {error}'.split())}"
            record.msg, record.args, record.exc_info, record.exc_text = words[:400], (), None, None
        return True
