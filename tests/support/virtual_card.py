# SPDX-License-Identifier: GPL-3.0-or-later
"""Sound cards without hardware, for tests: user-space servers whose output comes back at their input.

    with virtual_card.Pulse(rate=48000) as card:
        subprocess.run([program, ...], env=card.environment)     # the device is "default"

Each server lives in a folder of its own and is stopped by its process number. No D-Bus, no system service.
"""
import glob
import os
import shutil
import signal
import subprocess
import tempfile
import time


class Server:
    """A folder, an environment and, where there is one, a process; ends with its `with` block."""
    device = "card:"
    needs = ()

    def __init__(self):
        missing = [tool for tool in self.needs if not shutil.which(tool)]
        if missing:
            raise RuntimeError("not installed: " + ", ".join(missing))
        self.folder = tempfile.mkdtemp(prefix="rollbook-card-")
        self.process = None
        self.environment = {k: v for k, v in os.environ.items()
                            if k not in ("DBUS_SESSION_BUS_ADDRESS", "DISPLAY", "PULSE_SERVER")}
        self.environment.update(HOME=self.folder, XDG_RUNTIME_DIR=self.folder, XDG_CONFIG_HOME=self.folder,
                                PULSE_RUNTIME_PATH=self.folder, PULSE_STATE_PATH=self.folder,
                                PULSE_COOKIE=self.path("cookie"), PULSE_SERVER="unix:" + self.path("native"),
                                ALSA_CONFIG_PATH=self.path("asound.conf"), JACK_NO_START_SERVER="1")

    def path(self, name):
        return os.path.join(self.folder, name)

    def write(self, name, text):
        with open(self.path(name), "w", encoding="utf-8") as file:
            file.write(text)

    def launch(self, command):
        self.process = subprocess.Popen(command, env=self.environment, stdin=subprocess.DEVNULL,
                                        stdout=open(self.path("server.log"), "ab"), stderr=subprocess.STDOUT,
                                        start_new_session=True)

    def await_answer(self, command, patience_s=20):
        end = time.monotonic() + patience_s
        while time.monotonic() < end:
            if self.process.poll() is not None:
                break
            if subprocess.run(command, env=self.environment, stdout=subprocess.DEVNULL,
                              stderr=subprocess.DEVNULL, timeout=patience_s).returncode == 0:
                return
            time.sleep(0.05)
        raise RuntimeError(f"{type(self).__name__} did not start: " + open(self.path("server.log")).read()[-2000:])

    def signal(self, number):
        self.process.send_signal(number)

    def stop(self):
        if self.process and self.process.poll() is None:
            self.process.send_signal(signal.SIGCONT)
            self.process.terminate()
            try:
                self.process.wait(3)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait(3)

    def __enter__(self):
        try:
            self.start()
        except BaseException:
            self.__exit__()
            raise
        return self

    def __exit__(self, *_):
        self.stop()
        shutil.rmtree(self.folder, ignore_errors=True)


class Pulse(Server):
    """PulseAudio's null sink, reached through ALSA as most programs reach it; its monitor is the input.

    `plugin`: (file, label, "control,control") of a LADSPA plugin that becomes the device under test.
    """
    needs = ("pulseaudio", "pactl")

    def __init__(self, rate=48000, sample_format="float32le", plugin=None):
        super().__init__()
        self.rate, self.sample_format, self.plugin = rate, sample_format, plugin

    def start(self):
        self.environment["LADSPA_PATH"] = "/usr/lib/ladspa"
        self.write("asound.conf", 'pcm.!default { type pulse hint { show on description "virtual card" } }\n'
                                  "ctl.!default { type pulse }\n")
        command = ["pulseaudio", "-n", "--daemonize=no", "--use-pid-file=no", "--exit-idle-time=-1", "--realtime=no",
                   "--high-priority=no", "--log-level=error", "--log-target=stderr",
                   f"--load=module-native-protocol-unix socket={self.path('native')} auth-anonymous=1",
                   # Without norewinds the first two seconds stall.
                   f"--load=module-null-sink sink_name=loop format={self.sample_format} rate={self.rate} channels=2 "
                   "channel_map=front-left,front-right norewinds=1"]
        if self.plugin:
            file, label, control = self.plugin
            command.append(f"--load=module-ladspa-sink sink_name=dut sink_master=loop plugin={file} label={label} "
                           f"control={control}")
        self.launch(command)
        self.await_answer(["pactl", "info"])
        self.control("set-default-sink", "dut" if self.plugin else "loop")
        self.control("set-default-source", "loop.monitor")

    def control(self, *words):
        subprocess.run(["pactl", *words], env=self.environment, check=True, timeout=10, stdout=subprocess.DEVNULL)


class Jack(Server):
    """JACK's dummy driver with two loop-back ports: a device called "loopback"."""
    needs = ("jackd", "jack_lsp")
    device = "card:api=JACK;name=loopback"

    def __init__(self, rate=48000, period=1024):
        super().__init__()
        self.rate, self.period = rate, period

    def start(self):
        name = os.path.basename(self.folder)
        self.environment["JACK_DEFAULT_SERVER"] = name
        self.write("asound.conf", "pcm.!default { type null }\nctl.!default { type null }\n")
        self.launch(["jackd", "-n", name, "-r", "-L", "2", "-d", "dummy", "-r", str(self.rate), "-p",
                     str(self.period)])
        self.await_answer(["jack_lsp"])

    def stop(self):
        super().stop()
        if self.process and self.process.returncode == -signal.SIGKILL:
            # A killed server keeps one of the machine's eight places until one of its name ends well.
            self.start()
            super().stop()
        for path in glob.glob(f"/dev/shm/jack*{os.path.basename(self.folder)}*"):
            os.unlink(path)


class AlsaFile(Server):
    """ALSA's file plugin: what is played is written to a file and read back from it. Exact, and not paced."""
    device = "card:loop;paced=no"

    def start(self):
        raw = self.path("loop.raw")
        self.write("loop.raw", "")
        self.write("asound.conf", f"""pcm.null {{ type null }}
pcm.loop {{ type file slave.pcm {{ type null }} file "{raw}" infile "{raw}" format "raw"
  hint {{ show on description "loop" }} }}
pcm.!default {{ type null }}
ctl.!default {{ type null }}
""")


class AlsaNull(Server):
    """A "card" that swallows everything at once and returns memory as it finds it."""
    device = "card:default"

    def start(self):
        self.write("asound.conf", "pcm.!default { type null hint { show on description \"null\" } }\n"
                                  "ctl.!default { type null }\n")


class AlsaNothing(Server):
    """An ALSA configuration without a single usable device."""

    def start(self):
        self.write("asound.conf", "\n")
