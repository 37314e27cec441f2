"""A sound server of one's own, without a sound card: what is written to a pipe is captured.

PulseAudio in a private directory, no session bus, works as root. The product reaches it as any
program reaches a sound interface: PortAudio, ALSA, a device by its name.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
import time
from pathlib import Path
from types import TracebackType

DEVICE = "bench interface"
RATE = 48_000
CHANNELS = 2
URGENT = ("nice", "-n", "-10")  # what must keep time comes first, where that is permitted


class SoundServer:
    """Runs while the context is open. `pipe`: where frames of two 32-bit integers go."""

    def __init__(self) -> None:
        self.home = Path(tempfile.mkdtemp(prefix="bench-sound-"))
        self.home.chmod(0o700)
        self.pipe = self.home / "interface.fifo"
        self._process: subprocess.Popen[bytes] | None = None
        socket = self.home / "native"
        (self.home / "server.pa").write_text(
            f"load-module module-native-protocol-unix socket={socket} auth-anonymous=1\n"
            f"load-module module-pipe-source source_name=interface file={self.pipe} "
            f"rate={RATE} format=s32le channels={CHANNELS} channel_map=front-left,front-right\n"
            "set-default-source interface\n"
        )
        (self.home / "asound.conf").write_text(
            "</usr/share/alsa/alsa.conf>\n"
            f'pcm."{DEVICE}" {{ type pulse server "unix:{socket}" device "interface" '
            f'hint {{ show on description "{DEVICE}" }} }}\n'
        )

    @property
    def environment(self) -> dict[str, str]:
        """What a program needs to find this server and no other."""
        home = str(self.home)
        return os.environ | {
            "XDG_RUNTIME_DIR": home,
            "PULSE_RUNTIME_PATH": home,
            "PULSE_STATE_PATH": home,
            "PULSE_CONFIG_PATH": home,
            "PULSE_SERVER": f"unix:{self.home / 'native'}",
            "ALSA_CONFIG_PATH": str(self.home / "asound.conf"),
        }

    def __enter__(self) -> SoundServer:
        self.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()
        shutil.rmtree(self.home, ignore_errors=True)

    def start(self) -> None:
        """Start the server and wait until it answers."""
        for left in (self.pipe, self.home / "native"):  # by one that was killed
            left.unlink(missing_ok=True)
        self._process = subprocess.Popen(
            [*URGENT, "pulseaudio", "-n", "-F", str(self.home / "server.pa"), "--daemonize=no",
             "--exit-idle-time=-1", "--disallow-exit", "--use-pid-file=no", "--realtime=no",
             "--high-priority=no", "--log-level=warning",
             f"--log-target=file:{self.home / 'server.log'}"],
            env=self.environment, stdin=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        deadline = time.monotonic() + 20.0
        while time.monotonic() < deadline:
            asked = subprocess.run(
                ["pactl", "info"], env=self.environment, capture_output=True, check=False
            )
            if asked.returncode == 0:
                return
            time.sleep(0.05)
        raise AssertionError((self.home / "server.log").read_text())

    def stop(self) -> None:
        """End the server, as when the interface is unplugged."""
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.wait()
