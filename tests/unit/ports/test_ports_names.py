"""The package's public names: all there, and cheap to look at."""

import subprocess
import sys

import pytest

from nightreel import ports


def test_every_public_name_is_there():
    assert sorted(ports.__all__) == ports.__all__
    for name in ports.__all__:
        assert getattr(ports, name) is not None
    with pytest.raises(AttributeError):
        _ = ports.Mixer


def test_importing_the_package_loads_no_driver_and_no_compiler():
    code = (
        "import sys, nightreel.ports; print([m for m in ('numba', 'sounddevice', 'jack', 'scipy') if m in sys.modules])"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "[]"
