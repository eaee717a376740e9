"""Which file systems are believed: by texts of mountinfo, and by folders as sysfs has them.

No machine of the tests has a USB disk, an SD card, a network share or btrfs: mountinfo lines of
those are given as texts in the form of proc_pid_mountinfo(5), and the folders of sysfs as the
kernel's ABI documents (sysfs-block, sysfs-bus-mmc, sysfs-devices-removable) and trees of such
machines have them. FUSE, tmpfs, overlay, ext4 and loop devices are mounted in `test_engine_cache`.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from depotserve.tree import volumes
from depotserve.tree.volumes import Mount, Volumes, is_carried_about, parse_mounts

# The example of proc_pid_mountinfo(5), and lines in its form.
MANUAL = b"36 35 98:0 /mnt1 /mnt2 rw,noatime master:1 - ext3 /dev/root rw,errors=continue\n"
LINES = {
    b"41 29 0:45 / /srv/nas rw,relatime shared:22 - nfs4 nas:/srv rw,vers=4.2\n": "nfs4",
    b"42 29 0:46 / /srv/win rw - cifs //plant/share rw,vers=3.1.1\n": "cifs",
    b"43 29 0:47 / /mnt/s rw,nosuid - fuse.sshfs op@plant:/ rw,user_id=0\n": "fuse.sshfs",
    b"44 29 8:17 / /media/a rw - fuseblk /dev/sdb1 rw\n": "fuseblk",
    b"45 29 8:33 / /media/b rw - vfat /dev/sdc1 rw\n": "vfat",
    b"46 29 8:34 / /media/c rw - exfat /dev/sdc2 rw\n": "exfat",
    b"47 29 0:48 / /p rw - 9p share rw\n": "9p",
    b"48 29 0:49 / /q rw - ceph mon:/ rw\n": "ceph",
    b"49 29 11:0 / /media/dvd ro - iso9660 /dev/sr0 ro\n": "iso9660",
}


def test_the_example_of_the_manual_is_read() -> None:
    assert parse_mounts(MANUAL) == [Mount("98:0", b"/mnt2", "ext3", b"/dev/root")]


def test_escapes_any_bytes_and_optional_fields_are_read() -> None:
    line = b"1 2 8:1 /a /m\\040\\011\\012\\134\xff\r\x0b x a:1 b:2 - ext4 /dev/\\040x rw\n"
    assert parse_mounts(line) == [Mount("8:1", b"/m \t\n\\\xff\r\x0b", "ext4", b"/dev/ x")]


def test_lines_that_are_none_are_passed_over() -> None:
    for line in (b"", b"\n\n", b"1 2 8:1 / /m rw", b" - ", b"1 2 - ext4 /dev/sda rw", b"\xff" * 99):
        assert parse_mounts(line) == []


def test_the_last_mount_comes_first() -> None:
    assert [one.kind for one in parse_mounts(b"".join(LINES))] == list(LINES.values())[::-1]


@pytest.fixture
def machine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Make a machine of texts and folders: mountinfo, and sysfs."""
    (tmp_path / "sys" / "dev" / "block").mkdir(parents=True)
    (tmp_path / "sys" / "class" / "block").mkdir(parents=True)
    (tmp_path / "mountinfo").write_bytes(b"")
    monkeypatch.setattr(volumes, "_MOUNTS", tmp_path / "mountinfo")
    monkeypatch.setattr(volumes, "_BLOCKS", tmp_path / "sys" / "dev" / "block")
    monkeypatch.setattr(volumes, "_NAMES", tmp_path / "sys" / "class" / "block")
    return tmp_path


DISK = "pci0000:00/0000:00:17.0/ata1/host0/target0:0:0/0:0:0:0/block/sda"
STICK = "pci0000:00/0000:00:14.0/usb2/2-1/2-1:1.0/host6/target6:0:0/6:0:0:0/block/sdb"


def _block(machine: Path, place: str, number: str, **files: str) -> Path:
    folder = machine / "sys" / "devices" / place
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "removable").write_text(files.get("removable", "0") + "\n")
    for link in ("dev/block/" + number, "class/block/" + folder.name):
        (machine / "sys" / link).symlink_to(folder)
    return folder


def _partition(machine: Path, disk: Path, name: str, number: str) -> Path:
    folder = disk / name
    folder.mkdir()
    for link in ("dev/block/" + number, "class/block/" + name):
        (machine / "sys" / link).symlink_to(folder)
    return folder


def _believed(machine: Path, line: bytes, device: tuple[int, int], path: bytes = b"/x") -> bool:
    (machine / "mountinfo").write_bytes(line)
    return Volumes().may_remember(os.makedev(*device), path)


@pytest.mark.parametrize("line", LINES, ids=LINES.values())
def test_network_fuse_and_foreign_file_systems_are_never_believed(
    machine: Path, line: bytes
) -> None:
    major, minor = map(int, line.split()[2].split(b":"))
    _block(machine, DISK, f"{major}:{minor}")
    assert not _believed(machine, line, (major, minor))


def test_a_local_disk_is_believed_whole_and_in_parts(machine: Path) -> None:
    disk = _block(machine, DISK, "8:0")
    _partition(machine, disk, "sda1", "8:1")
    assert _believed(machine, b"1 2 8:0 / / rw - xfs /dev/sda rw\n", (8, 0))
    assert _believed(machine, b"1 2 8:1 / / rw - ext4 /dev/sda1 rw\n", (8, 1))


def test_a_disk_that_sysfs_does_not_know_is_not_believed(machine: Path) -> None:
    assert not _believed(machine, b"1 2 8:1 / / rw - ext4 /dev/sda1 rw\n", (8, 1))


def test_a_disk_on_usb_is_not_believed_though_it_says_that_it_is_fixed(machine: Path) -> None:
    _partition(machine, _block(machine, STICK, "8:16"), "sdb1", "8:17")
    assert not _believed(machine, b"1 2 8:17 / /m rw - ext4 /dev/sdb1 rw\n", (8, 17))


def test_what_is_not_believed_is_named_once_by_its_mount(machine: Path) -> None:
    _partition(machine, _block(machine, STICK, "8:16"), "sdb1", "8:17")
    (machine / "mountinfo").write_bytes(
        b"1 2 8:17 / /media/my\\040stick rw - ext4 /dev/sdb1 rw\n"
        b"3 2 0:40 / /mnt/share rw - nfs4 server:/share rw\n"
    )
    asked = Volumes()
    for device in ((8, 17), (0, 40), (8, 17), (9, 9)):
        assert not asked.may_remember(os.makedev(*device), b"/x")
    assert asked.doubted == ["/media/my stick (ext4)", "/mnt/share (nfs4)", "/x"]


def test_a_disk_that_says_that_it_is_removable_is_not_believed(machine: Path) -> None:
    disk = _block(machine, DISK, "8:0", removable="1")
    _partition(machine, disk, "sda1", "8:1")
    for line, device in ((b"8:0", (8, 0)), (b"8:1", (8, 1))):
        assert not _believed(machine, b"1 2 " + line + b" / / rw - ext4 /dev/x rw\n", device)


def test_a_disk_behind_a_port_that_is_removable_is_not_believed(machine: Path) -> None:
    _block(machine, "pci0000:00/0000:04:00.0/nvme/nvme0/nvme0n1", "259:0")
    (machine / "sys/devices/pci0000:00/0000:04:00.0/removable").write_text("removable\n")
    assert not _believed(machine, b"1 2 259:0 / / rw - ext4 /dev/x rw\n", (259, 0))


@pytest.mark.parametrize(("kind", "believed"), [("SD", False), ("MMC", True)])
def test_a_card_is_not_believed_and_soldered_memory_is(
    machine: Path, kind: str, believed: bool
) -> None:
    card = "platform/soc/mmc0/mmc_host/mmc0/mmc0:0001"
    _partition(machine, _block(machine, f"{card}/block/mmcblk0", "179:0"), "mmcblk0p1", "179:1")
    (machine / "sys/devices" / card / "type").write_text(f"{kind}\n")
    assert _believed(machine, b"1 2 179:1 / / rw - ext4 /dev/x rw\n", (179, 1)) is believed


@pytest.mark.parametrize(("lower", "believed"), [(DISK, True), (STICK, False)])
def test_an_encrypted_or_mapped_disk_is_what_it_lies_on(
    machine: Path, lower: str, believed: bool
) -> None:
    part = _partition(machine, _block(machine, lower, "8:0"), "part1", "8:1")
    mapped = machine / "sys/devices/virtual/block/dm-0"
    for name, number, below in (("dm-0", "253:0", part), ("dm-1", "253:1", mapped)):
        folder = _block(machine, f"virtual/block/{name}", number)
        (folder / "slaves").mkdir()
        (folder / "slaves" / below.name).symlink_to(below)
        line = b"1 2 %s / / rw - ext4 /dev/mapper/x rw\n" % number.encode()
        minor = int(number.split(":")[1])
        assert _believed(machine, line, (253, minor)) is believed


@pytest.mark.parametrize(("lower", "believed"), [(DISK, True), (STICK, False)])
def test_btrfs_is_what_its_device_is_though_its_numbers_are_its_own(
    machine: Path, lower: str, believed: bool
) -> None:
    _partition(machine, _block(machine, lower, "8:0"), "zz1", "8:1")
    line = b"1 2 0:50 /@ /srv rw - btrfs /dev/zz1 rw,subvol=/@\n"
    assert _believed(machine, line, (0, 50)) is believed
    assert _believed(machine, line, (0, 51), b"/srv/depot/a") is believed  # a subvolume


def test_a_file_system_without_a_number_of_its_device_is_what_its_device_is(machine: Path) -> None:
    _partition(machine, _block(machine, DISK, "8:0"), "zz1", "8:1")
    _partition(machine, _block(machine, STICK, "8:16"), "zz2", "8:17")
    line = b"1 2 0:50 / /srv rw - bcachefs /dev/zz%d rw\n"
    assert _believed(machine, line % 1, (0, 50))
    assert not _believed(machine, line % 2, (0, 50))


# As a loop device, it is an image that lies anywhere (nbd.rst, ublk.rst of the kernel).
@pytest.mark.parametrize("name", ["nbd0", "ublkb0", "rbd0"])
def test_a_disk_that_a_program_or_another_machine_makes_up_is_not_believed(
    machine: Path, name: str
) -> None:
    _block(machine, f"virtual/block/{name}", "43:0")
    assert not _believed(machine, b"1 2 43:0 / /m rw - ext4 /dev/x rw\n", (43, 0))


def test_btrfs_whose_device_is_not_to_be_found_is_not_believed(machine: Path) -> None:
    assert not _believed(machine, b"1 2 0:50 / /srv rw - btrfs /dev/nothing rw\n", (0, 50))


def test_a_number_that_no_mount_has_is_believed_of_no_other_kind(machine: Path) -> None:
    _block(machine, DISK, "8:0")
    lines = b"1 2 8:0 / / rw - ext4 /dev/sda rw\n3 1 0:9 / /o rw - overlay overlay rw\n"
    assert not _believed(machine, lines, (0, 51), b"/srv/a")
    assert _believed(machine, lines, (0, 51), b"/o/a")
    assert not _believed(machine, lines, (0, 51), b"/other/a")


def test_a_mount_that_came_after_the_run_began_is_known_as_what_it_is(machine: Path) -> None:
    known = Volumes()
    _block(machine, DISK, "8:0")
    (machine / "mountinfo").write_bytes(b"1 2 8:0 / / rw - ext4 /dev/sda rw\n")
    assert known.may_remember(os.makedev(8, 0), b"/a")
    with open(machine / "mountinfo", "ab") as stream:
        stream.write(b"2 1 0:60 / /net rw - nfs4 nas:/ rw\n")
    assert not known.may_remember(os.makedev(0, 60), b"/net/a")


def test_without_mountinfo_or_with_too_much_of_it_nothing_is_believed(machine: Path) -> None:
    _block(machine, DISK, "8:0")
    line = b"1 2 8:0 / / rw - ext4 /dev/sda rw\n"
    assert not _believed(machine, line * (4 * 1024 * 1024 // len(line) + 1), (8, 0))
    (machine / "mountinfo").unlink()
    assert not Volumes().may_remember(os.makedev(8, 0), b"/a")


def test_this_machines_own_disk_is_told_by_the_real_sysfs() -> None:
    disks = [one for one in Path("/sys/class/block").iterdir() if not (one / "slaves").is_symlink()]
    loops = [one for one in disks if (one / "loop").is_dir()]
    assert all(is_carried_about(Path(os.path.realpath(one))) for one in loops)
    assert not is_carried_about(Path("/sys/devices/virtual/block/ram0"))
