from __future__ import annotations

import io
import shutil
from pathlib import Path

import pytest
from PIL import Image

from tests.report.shed import fill, write_config

SECRET = "A camera's maker"


def photo() -> bytes:
    """A JPEG that lies on its side and says so, with what a camera noted."""
    exif = Image.Exif()
    exif[0x0112], exif[0x010F] = 6, SECRET
    out = io.BytesIO()
    Image.new("RGB", (80, 60), "#c9b26b").save(out, "JPEG", exif=exif, comment=SECRET.encode())
    return out.getvalue()


@pytest.fixture(scope="session")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a shed with its store, filled once; only read."""
    folder = tmp_path_factory.mktemp("shed")
    fill(write_config(folder), photo())
    return folder


@pytest.fixture(scope="session")
def shed(filled: Path) -> Path:
    """Its configuration."""
    return filled / "leeswatch.toml"


@pytest.fixture
def own(filled: Path, tmp_path: Path) -> Path:
    """A configuration with a copy of the store, to change."""
    shutil.copytree(filled, tmp_path / "shed")
    return tmp_path / "shed" / "leeswatch.toml"
