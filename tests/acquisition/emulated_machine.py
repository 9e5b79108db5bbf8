"""A Linux machine in software emulation: Debian's kernel, this computer's files read-only, nothing that outlives it."""

import contextlib
import lzma
import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

KERNEL_ROOT = Path(os.environ.get("BIOFEEDBACK_KERNEL_ROOT", "/"))  # or where linux-image-* was unpacked
BLUETOOTHD = Path("/usr/libexec/bluetooth/bluetoothd")
BUSYBOX = Path("/bin/busybox")
# Crypto that Bluetooth asks for by algorithm, so no module names it as what it depends on.
MODULES = ("virtio_pci", "9pnet_virtio", "9p", "overlay", "hmac", "sha512_generic", "ctr", "drbg", "cmac", "ecb")
BLUETOOTH_MODULES = ("ecdh_generic", "algif_hash", "algif_skcipher", "bluetooth", "hci_vhci")
LAST_WORDS = "machine: exit "
INIT = """#!/bin/busybox sh
b=/bin/busybox
$b mount -t proc p /proc; $b mount -t sysfs s /sys; $b mount -t devtmpfs d /dev
for m in /modules/*; do $b insmod $m; done
$b mount -t 9p -o trans=virtio,version=9p2000.L,ro,msize=524288,cache=loose host /host
$b mount -t tmpfs t /changes; $b mkdir /changes/upper /changes/work
$b mount -t overlay -o lowerdir=/host,upperdir=/changes/upper,workdir=/changes/work o /new
for d in proc sys dev; do $b mount --bind /$d /new/$d; done
$b mount -t tmpfs t /new/run
echo "machine: up after $($b cut -d' ' -f1 /proc/uptime) s"
$b chroot /new /bin/sh -c 'PATH=/usr/sbin:/usr/bin:/sbin:/bin HOME=/tmp; export PATH HOME; {script}'
echo "{last_words}$?"
$b poweroff -f
"""


def find_kernel():
    """Kernel image and its modules; None if there are none that can be read."""
    for image in sorted((KERNEL_ROOT / "boot").glob("vmlinuz-*"), reverse=True):
        modules = KERNEL_ROOT / "lib/modules" / image.name.removeprefix("vmlinuz-")
        if os.access(image, os.R_OK) and list(modules.rglob("hci_vhci.ko*")):
            return image, modules
    return None


def what_is_missing():
    """One line for a skip; "" when everything is here."""
    needs = {
        "qemu-system-x86": shutil.which("qemu-system-x86_64"),
        "busybox-static": BUSYBOX.exists(),
        "bluez": BLUETOOTHD.exists(),
        "dbus-daemon": shutil.which("dbus-daemon"),
        "linux-image-amd64": find_kernel(),
    }
    missing = [package for package, is_there in needs.items() if not is_there]
    return f"needs Debian's {', '.join(missing)}" if missing else ""


def run_in_machine(folder, script, *, timeout_s):
    """Exit code and console of a shell script without single quotes, run as root; None: it never ended."""
    image, modules = find_kernel()
    ramdisk = folder / "ramdisk"
    ramdisk.write_bytes(pack_ramdisk(modules, script))
    command = shlex.split(
        f"qemu-system-x86_64 -accel tcg,thread=multi -cpu max -smp 2 -m 1024 -nographic -no-reboot -nic none"
        f" -kernel {image} -initrd {ramdisk}"
        f" -virtfs local,path=/,mount_tag=host,security_model=none,readonly=on,multidevs=remap"
    )
    options = "console=ttyS0 quiet panic=-1 mitigations=off random.trust_cpu=on tsc=reliable"
    with (folder / "console").open("wb+") as console:
        with contextlib.suppress(subprocess.TimeoutExpired):
            subprocess.run(
                [*command, "-append", options],
                stdin=subprocess.DEVNULL,
                stdout=console,
                stderr=subprocess.STDOUT,
                timeout=timeout_s,
                check=False,
            )
        console.seek(0)
        said = console.read().decode(errors="replace").replace("\r", "")
    found = re.search(rf"^{LAST_WORDS}(\d+)", said, re.MULTILINE)
    return (int(found[1]) if found else None), said


def pack_ramdisk(modules, script):
    """What the kernel unpacks into memory and starts: busybox, modules in loading order, ``init``."""
    files = {f"{name}/": None for name in ("bin", "modules", "proc", "sys", "dev", "host", "changes", "new")}
    files["bin/busybox"] = BUSYBOX.read_bytes()
    for k, (name, content) in enumerate(read_modules(modules).items()):
        files[f"modules/{k:02d}-{name}.ko"] = content
    files["init"] = INIT.format(script=script, last_words=LAST_WORDS).encode()
    return b"".join(map(pack_entry, files, files.values())) + pack_entry("TRAILER!!!", b"")


def pack_entry(name, content):
    """One entry of a "newc" cpio archive; ``None`` makes a folder. Format: cpio(5)."""
    mode = 0o040755 if content is None else 0o100755
    content, path = content or b"", name.rstrip("/").encode() + b"\0"
    fields = [0, mode, 0, 0, 1, 0, len(content), 0, 0, 0, 0, len(path), 0]
    head = b"070701" + b"".join(b"%08X" % field for field in fields) + path
    return head + bytes(-len(head) % 4) + content + bytes(-len(content) % 4)


def read_modules(folder):
    """Modules and what they depend on, in loading order; what is built in has no file."""
    paths = {path.name.partition(".")[0].replace("-", "_"): path for path in folder.rglob("*.ko*")}
    loaded = {}

    def add(name):
        if name in loaded or name not in paths:
            return
        content = paths[name].read_bytes()
        if paths[name].suffix == ".xz":
            content = lzma.decompress(content)
        depends = re.search(rb"\0depends=([^\0]*)\0", content)
        for other in filter(None, depends[1].decode().split(",") if depends else ()):
            add(other.replace("-", "_"))
        loaded[name] = content

    for name in (*MODULES, *BLUETOOTH_MODULES):
        add(name)
    return loaded


if __name__ == "__main__":  # python tests/acquisition/emulated_machine.py FOLDER SCRIPT: for trying things out
    print(*run_in_machine(Path(sys.argv[1]), sys.argv[2], timeout_s=300), sep="\n")
