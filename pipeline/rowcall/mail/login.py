"""User name and password for the mail server: from the environment, or from a file kept close."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

from rowcall.errors import MailError
from rowcall.site import Mail

USER, PASSWORD = "ROWCALL_SMTP_USER", "ROWCALL_SMTP_PASSWORD"
_OTHERS = 0o077  # permission bits of group and others, POSIX


def login_of(mail: Mail, environment: Mapping[str, str]) -> tuple[str, str]:
    """Return user name and password.

    Raises:
        MailError: one is missing, or the file lets others read the password.
    """
    file = mail.password_file
    user = mail.user or environment.get(USER, "")
    password = environment.get(PASSWORD, "") if file is None else _password_in(file)
    if not (user and password):
        raise MailError(
            f"The mail server wants a login: set {USER} and {PASSWORD} in the environment, or user "
            "and password_file in [mail] of the site file, or login = false there."
        )
    return user, password


def _password_in(path: Path) -> str:
    try:
        with path.open(encoding="utf-8") as file:
            mode = os.fstat(file.fileno()).st_mode
            text = file.read()
    except (OSError, UnicodeDecodeError) as error:
        reason = (isinstance(error, OSError) and error.strerror) or "not UTF-8 text"
        raise MailError(f"password_file {path} cannot be read ({reason}).") from error
    if os.name == "posix" and mode & _OTHERS:
        raise MailError(
            f"password_file {path} may be read or changed by others than its owner (permissions "
            f"{mode & 0o777:03o}), and is not used. Run: chmod 600 '{path}'"
        )
    return text.strip("\r\n")
