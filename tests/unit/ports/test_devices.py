"""Which device is meant, and what is said when it cannot be had; over a JACK server's clients as devices."""

import json
import subprocess
import sys

import numpy as np
import pytest
from click.testing import CliRunner
from tests.jackband import band, ears
from tests.jackserver import running_jack

from nightreel.cli.devices import command
from nightreel.errors import DeviceTrouble
from nightreel.ports import portaudio
from nightreel.ports.devices import DeviceSource, find_rates_hz, list_devices, require_device
from nightreel.ports.jack import JackSource

RATE_HZ = 48_000


@pytest.fixture(scope="module")
def server():
    with pytest.MonkeyPatch.context() as patch, running_jack(patch, channels=8) as running:
        yield running


def test_the_list_names_each_client_with_sends_and_returns(server):
    with band(server.name, 5), ears(server.name, 3, seconds=0.1):
        there = {device.name: (device.sends, device.returns) for device in list_devices()}
    assert there["system"] == (8, 8)
    assert there["band"] == (5, 0)
    assert there["ears"] == (0, 3)


def test_a_device_is_found_by_its_name_a_part_of_it_or_in_full(server):
    list_devices()
    for name in ("system", "SYSTEM", "syst", "JACK Audio Connection Kit: system", None):
        assert require_device(name, sends=8).name == "system"


def test_an_unknown_device_is_answered_with_what_there_is(server):
    with pytest.raises(DeviceTrouble, match=r"no device 'desk' .* There are: .*system"):
        DeviceSource(device="desk", rate_hz=RATE_HZ, channels=2).start()


def test_a_name_that_may_mean_two_is_answered_with_both(server):
    with band(server.name, 2, name="stage left"), band(server.name, 2, name="stage right"):
        portaudio.probe_again()
        with pytest.raises(DeviceTrouble, match=r"may mean several.*stage left; .*stage right"):
            require_device("stage", sends=2)


def test_too_few_channels_says_how_many_there_are(server):
    for make in (
        lambda: DeviceSource(device="system", rate_hz=RATE_HZ, channels=9),
        lambda: JackSource(device="system", rate_hz=RATE_HZ, channels=9),
    ):
        with pytest.raises(DeviceTrouble, match="has 8 sends, 9 are wanted"):
            make().start()


def test_a_rate_that_is_not_offered_says_which_are(server):
    assert [d.rates_hz for d in list_devices() if d.name == "system"] == [(RATE_HZ,)]
    assert find_rates_hz(require_device("system")) == (RATE_HZ,)
    with pytest.raises(DeviceTrouble, match=r"does not run at 96 kHz. It offers: 48 kHz"):
        DeviceSource(device="system", rate_hz=96_000, channels=2).start()
    with pytest.raises(DeviceTrouble, match="runs at 48 kHz, not at 96 kHz"):
        JackSource(device="system", rate_hz=96_000, channels=2).start()


def test_an_unknown_jack_client_is_answered_with_the_clients(server):
    with pytest.raises(DeviceTrouble, match=r"no JACK client 'desk' offers sends. There are: system"):
        JackSource(device="desk", rate_hz=RATE_HZ, channels=2).start()


def test_after_a_refusal_nothing_is_left_open(server):
    source = DeviceSource(device="system", rate_hz=RATE_HZ, channels=9)
    with pytest.raises(DeviceTrouble):
        source.start()
    with pytest.raises(DeviceTrouble, match="not started"):
        source.read(timeout_s=0.1)
    assert portaudio.probe_again()  # refused while a stream is open


def test_no_server_is_a_clear_sentence(monkeypatch):
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "nightreel-test-nobody")
    with pytest.raises(DeviceTrouble, match="no JACK server answers"):
        JackSource(rate_hz=RATE_HZ, channels=2).start()


def test_the_private_class_of_the_binding_still_takes_a_compiled_callback(server):
    # sounddevice._StreamBase is private; if a new version changes it, this is the test that says so.
    source = DeviceSource(device="system", rate_hz=RATE_HZ, channels=8, through_portaudio=True)
    source.start()
    block = source.read(timeout_s=5.0)
    source.stop()
    assert block is not None
    assert not block.samples.any()  # the dummy driver captures silence
    assert block.samples.dtype == np.float32


def test_the_command_lists_devices_in_words_and_as_json(server):
    words = CliRunner().invoke(command, [])
    assert words.exit_code == 0
    assert "JACK Audio Connection Kit: system" in words.output
    assert "48 kHz" in words.output
    facts = json.loads(CliRunner().invoke(command, ["--json"]).output)
    assert {
        "name": "system",
        "driver": "JACK Audio Connection Kit",
        "sends": 8,
        "returns": 8,
        "default_rate_hz": 48000,
        "rates_hz": [48000],
    } in facts["devices"]


def test_without_any_device_the_command_says_what_to_do_and_drivers_do_not_shout(tmp_path):
    environment = {"PATH": "/usr/bin:/bin", "JACK_DEFAULT_SERVER": "nightreel-test-nobody", "HOME": str(tmp_path)}
    ran = subprocess.run(
        [sys.executable, "-m", "nightreel", "devices"], env=environment, capture_output=True, text=True, timeout=60
    )
    assert ran.returncode == 0
    assert ran.stderr == ""
    # On a machine with a sound card there is a list instead.
    assert "no sound device" in ran.stdout or "device" in ran.stdout
