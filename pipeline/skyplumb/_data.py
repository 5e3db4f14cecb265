"""Where the files we ship lie: the page's templates and the rules people edit."""

from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path


def shipped(folder: str) -> Traversable:
    """The folder `reports` or `config`, from the checkout or from the installed wheel.

    Raises
    ------
    FileNotFoundError
        If neither place holds the folder.
    """
    checkout = Path(__file__).resolve().parents[2]
    if (checkout / "pyproject.toml").is_file() and (checkout / folder).is_dir():
        return checkout / folder
    installed = files("skyplumb") / folder
    if not installed.is_dir():
        raise FileNotFoundError(f"{folder}: not installed with skyplumb; install it again")
    return installed
