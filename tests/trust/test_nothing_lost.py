"""Killed, unplugged, full, read-only, two at once, photo turned, clock set back: nothing is lost.

The long run: ``python -m tests.trust.kill --times 500``.
"""

from __future__ import annotations

import contextlib
import errno
import os
import resource
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from slabvision.desk.visit import BrokenFolder, SlabRows, measure_visit
from slabvision.measure import measure_slab
from slabvision.store import (
    ChangedOnDiskError,
    MissingPhotoError,
    SaveError,
    check_photo,
    load_slab,
    new_slab,
    save_slab,
)
from tests.photo_files import picture
from tests.trust import record_corpus as corpus
from tests.trust.kill import kill_once, seconds_a_save
from tests.trust.power_cut import watched
from tests.trust.saves import number_in, save_number, start


@pytest.mark.slow
def test_twenty_five_kills_at_random_moments(tmp_path):
    start(tmp_path)
    random, longest = np.random.default_rng(7), 4 * seconds_a_save(tmp_path)
    found = [kill_once(tmp_path, float(random.uniform(0, longest))) for _ in range(25)]
    assert len(set(found)) > 1  # not always at the same point


def test_the_power_may_fail_at_any_moment(tmp_path, monkeypatch):
    folder = tmp_path / "slab"
    folder.mkdir()
    record = start(folder)
    record = save_number(folder, record, 1)
    disk = watched(monkeypatch, folder, lambda: save_number(folder, record, 2))
    found = [number_in(state) for state in disk.found_after(tmp_path)]
    assert set(found) == {1, 2}
    assert len(found) >= 6  # label images, the spare and the record, each before and after


def test_a_save_without_fsync_is_noticed(tmp_path, monkeypatch):
    folder = tmp_path / "slab"
    folder.mkdir()
    record = start(folder)
    disk = watched(monkeypatch, folder, lambda: save_number(folder, record, 1), fsync=False)
    with pytest.raises(Exception, match=r"slab\.json: not JSON|not the label image"):
        [number_in(state) for state in disk.found_after(tmp_path)]


def test_a_save_that_does_not_flush_the_folder_before_collecting_is_noticed(tmp_path, monkeypatch):
    from slabvision import files

    folder = tmp_path / "slab"
    folder.mkdir()
    record = start(folder)
    for number in (1, 2):
        record = save_number(folder, record, number)
    monkeypatch.setattr(files, "flush_folder", lambda folder: None)
    disk = watched(monkeypatch, folder, lambda: save_number(folder, record, 3))
    with pytest.raises(Exception, match=r"slab\.json|label image"):
        [number_in(state) for state in disk.found_after(tmp_path)]


# Disk full ---------------------------------------------------------------------------------------


@contextlib.contextmanager
def _mounted(place: Path, *words: str) -> Iterator[Path]:
    place.mkdir(exist_ok=True)
    if os.geteuid() != 0 or not shutil.which("mount"):
        pytest.skip("left out: mounting a small file system needs root")
    done = subprocess.run(["mount", *words, str(place)], capture_output=True, check=False)
    if done.returncode:
        pytest.skip(f"left out: no mounting here ({done.stderr.decode().strip()})")
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


def test_disk_full_on_a_small_file_system(tmp_path):
    with _mounted(tmp_path / "small", "-t", "tmpfs", "-o", "size=256k", "tmpfs") as folder:
        record = start(folder)
        free = os.statvfs(folder).f_bavail * os.statvfs(folder).f_frsize
        refused = []
        for left in range(0, 40_000, 4_096):
            (folder / "ballast").write_bytes(bytes(free - left))
            try:
                record = save_number(folder, record, int(record.notebook.tag) + 1)
            except SaveError as error:
                refused.append(str(error))
            assert number_in(folder) == int(record.notebook.tag)
            assert not list(folder.glob(".*.part"))
            (folder / "ballast").unlink()
            free = os.statvfs(folder).f_bavail * os.statvfs(folder).f_frsize
        assert len(refused) >= 2
        assert all("No space left" in each for each in refused)
        save_number(folder, record, 99)
        assert number_in(folder) == 99


def test_a_limit_of_file_size_is_like_a_full_disk(tmp_path):
    record = start(tmp_path)
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    try:
        resource.setrlimit(resource.RLIMIT_FSIZE, (100, before[1]))
        with pytest.raises(SaveError, match=os.strerror(errno.EFBIG)):
            save_number(tmp_path, record, 1)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
        signal.signal(signal.SIGXFSZ, handler)
    assert number_in(tmp_path) == 0
    assert not list(tmp_path.glob(".*.part"))


# Read-only, two writers ------------------------------------------------------------------------


def test_a_folder_mounted_read_only_is_read_and_measured_not_saved(tmp_path):
    corpus.write_folder(tmp_path / "slab", corpus.record_text(0).encode())
    bind = ("--bind", str(tmp_path / "slab"))
    with _mounted(tmp_path / "there", *bind) as folder:  # root is not held back by modes
        subprocess.run(["mount", "-o", "remount,ro,bind", str(folder)], check=True)
        record = load_slab(folder)
        assert measure_slab(folder, draws=40).best is not None
        with pytest.raises(SaveError, match=r"Read-only.*last save is untouched"):
            save_slab(folder, record)
        assert load_slab(folder) == record


def test_a_folder_one_may_not_write_to_is_not_saved(tmp_path, monkeypatch):
    record = start(tmp_path)
    if os.geteuid() == 0:  # modes do not hold root back: the system's answer is put in its place
        real = Path.open

        def refused(path: Path, mode: str = "r", *more, **others):
            if "x" in mode:
                raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))
            return real(path, mode, *more, **others)

        monkeypatch.setattr(Path, "open", refused)
    else:
        tmp_path.chmod(0o555)
    try:
        with pytest.raises(SaveError, match="Permission denied"):
            save_number(tmp_path, record, 1)
    finally:
        tmp_path.chmod(0o755)
    assert number_in(tmp_path) == 0


def test_two_writers_at_once_lose_no_save(tmp_path):
    start(tmp_path)
    children = []
    for writer in range(2):
        child = os.fork()
        if child == 0:
            done = 0
            try:
                while done < 10:
                    record = load_slab(tmp_path)
                    with contextlib.suppress(ChangedOnDiskError):
                        save_number(tmp_path, record, 1000 * (1 + writer) + done)
                        done += 1
            finally:
                os._exit(0 if done == 10 else 1)
        children.append(child)
    assert [os.waitpid(child, 0)[1] for child in children] == [0, 0]
    assert load_slab(tmp_path).generation == 21  # the first, and ten of each: none was overwritten
    assert number_in(tmp_path) in (1009, 2009)


# Photos and clocks -----------------------------------------------------------------------------


def _slab_of_a_jpeg(place: Path) -> Path:
    place.mkdir()
    Image.fromarray(picture(90, 120)).save(place / "face-a.jpg", quality=95)
    new_slab(place / "slab", [place / "face-a.jpg"], ["face A"])
    return place / "slab" / "face-a.jpg"


def test_a_photo_turned_by_a_viewer_is_noticed(tmp_path):
    photo = _slab_of_a_jpeg(tmp_path / "a")
    Image.open(photo).rotate(90, expand=True).save(photo, quality=95)
    with pytest.raises(MissingPhotoError, match="rotated or edited"):
        check_photo(photo.parent, load_slab(photo.parent).photos[0])


def test_a_photo_turned_by_its_metadata_alone_is_noticed(tmp_path):
    photo = _slab_of_a_jpeg(tmp_path / "b")
    image = Image.open(photo)
    tags = image.getexif()
    tags[0x0112] = 6
    image.save(photo, quality="keep", exif=tags)
    with pytest.raises(MissingPhotoError, match="rotated or edited"):
        check_photo(photo.parent, load_slab(photo.parent).photos[0])


def test_a_clock_set_back_loses_no_save(tmp_path, monkeypatch):
    record = start(tmp_path)
    for path in tmp_path.iterdir():
        os.utime(path, (4e9, 4e9))  # written "in the year 2096"
    now = time.time()
    monkeypatch.setattr(time, "time", lambda: now - 10 * 365 * 86_400)
    for number in (1, 2):
        record = save_number(tmp_path, record, number)
        assert number_in(tmp_path) == number
    assert record.generation == 3


def test_a_kept_result_is_made_again_when_a_photo_is_older_than_before(tmp_path):
    folder, keep = tmp_path / "slab", tmp_path / "kept"
    corpus.write_folder(folder, corpus.record_text(0).encode())
    first = measure_visit([folder], keep=keep, draws=20)
    assert isinstance(first.slabs[0], SlabRows)
    photo = folder / "face-a.png"
    data = bytearray(photo.read_bytes())
    data[-20] ^= 1
    photo.write_bytes(bytes(data))  # of the same size
    os.utime(photo, (1e9, 1e9))  # "written in 2001"
    again = measure_visit([folder], keep=keep, draws=20)
    assert isinstance(again.broken[0], BrokenFolder)
