"""A simulated power cut: what a program wrote and synced is recorded, and the disk rebuilt as it may be after a cut.

Recorded are writes, truncations, syncs and changes of names, by a small library that is put between program and
system. After a cut, what was synced is there; of everything else any subset may be, a write also in part (sectors of
512 bytes). A name is on the disk only when its folder was synced. Syncs are taken to be honest.
"""

from __future__ import annotations

import os
import random
import shutil
import struct
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

ACKNOWLEDGED = "acknowledged"
_SECTOR = 512
_SOURCE = r"""
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>
static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static int log_fd = -1;
#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))
static const char *disk(void) { return getenv("RECORDED_DISK"); }
static int ours(const char *path) {
    const char *root = disk();
    return root && path && !strncmp(path, root, strlen(root));
}
static void put(char op, const char *path, const char *other, const void *data, uint32_t size, int64_t at) {
    uint32_t a = strlen(path), b = other ? strlen(other) : size;
    char head[17];
    head[0] = op; memcpy(head + 1, &a, 4); memcpy(head + 5, &b, 4); memcpy(head + 9, &at, 8);
    ssize_t (*out)(int, const void *, size_t) = REAL(write);
    pthread_mutex_lock(&lock);
    if (log_fd < 0) log_fd = REAL(open)(getenv("RECORDED_LOG"), O_WRONLY | O_CREAT | O_APPEND, 0600);
    if (out(log_fd, head, 17) < 0 || out(log_fd, path, a) < 0 || out(log_fd, other ? other : data, b) < 0) abort();
    pthread_mutex_unlock(&lock);
}
static const char *name_of(int fd, char *name) {
    char link[64];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, name, 4095);
    name[n < 0 ? 0 : n] = 0;
    return name;
}
#define FD(fd) char name[4096]; int mine = disk() && ours(name_of(fd, name))
ssize_t write(int fd, const void *data, size_t size) {
    FD(fd); off_t at = mine ? lseek(fd, 0, SEEK_CUR) : 0;
    ssize_t n = REAL(write)(fd, data, size);
    if (mine && n > 0) put('W', name, 0, data, n, at);
    return n;
}
ssize_t pwrite64(int fd, const void *data, size_t size, off64_t at) {
    FD(fd); ssize_t n = REAL(pwrite64)(fd, data, size, at);
    if (mine && n > 0) put('W', name, 0, data, n, at);
    return n;
}
ssize_t pwrite(int fd, const void *data, size_t size, off_t at) { return pwrite64(fd, data, size, at); }
int fsync(int fd) { FD(fd); int r = REAL(fsync)(fd); if (mine && !r) put('S', name, "", 0, 0, 0); return r; }
int fdatasync(int fd) { FD(fd); int r = REAL(fdatasync)(fd); if (mine && !r) put('S', name, "", 0, 0, 0); return r; }
int ftruncate64(int fd, off64_t size) {
    FD(fd); int r = REAL(ftruncate64)(fd, size); if (mine && !r) put('T', name, "", 0, 0, size); return r;
}
int ftruncate(int fd, off_t size) { return ftruncate64(fd, size); }
int unlink(const char *path) { int r = REAL(unlink)(path); if (!r && ours(path)) put('U', path, "", 0, 0, 0); return r; }
int rename(const char *from, const char *to) {
    int r = REAL(rename)(from, to); if (!r && ours(to)) put('R', from, to, 0, 0, 0); return r;
}
int link(const char *from, const char *to) {
    int r = REAL(link)(from, to); if (!r && ours(to)) put('L', from, to, 0, 0, 0); return r;
}
int linkat(int a, const char *from, int b, const char *to, int flags) {
    int r = REAL(linkat)(a, from, b, to, flags); if (!r && ours(to)) put('L', from, to, 0, 0, 0); return r;
}
static void opened(const char *path, int flags, int was_there) {
    if (!ours(path)) return;
    if (!was_there) put('C', path, "", 0, 0, 0);
    else if (flags & O_TRUNC) put('T', path, "", 0, 0, 0);
}
#define OPEN(name, before, args) { \
    mode_t mode = 0; int there = access(path, F_OK) == 0; \
    if (flags & O_CREAT) { va_list more; va_start(more, flags); mode = va_arg(more, int); va_end(more); } \
    int fd = REAL(name) args; if (fd >= 0 && (flags & (O_CREAT | O_TRUNC))) opened(path, flags, there); return fd; }
int open(const char *path, int flags, ...) OPEN(open, , (path, flags, mode))
int open64(const char *path, int flags, ...) OPEN(open64, , (path, flags, mode))
int openat(int at, const char *path, int flags, ...) OPEN(openat, , (at, path, flags, mode))
int openat64(int at, const char *path, int flags, ...) OPEN(openat64, , (at, path, flags, mode))
"""


@dataclass(frozen=True)
class Operation:
    """One recorded change: its kind, the names and bytes concerned, the place."""

    kind: str
    path: str
    other: bytes
    at: int

    @property
    def folder(self) -> str:
        """Folder of the name that it changes."""
        return os.path.dirname(self.other.decode() or self.path)


def recorded(program: str, folder: Path, *words: str) -> list[Operation]:
    """Run a Python program with the folder `folder`/disk recorded; needs a C compiler."""
    disk, log, library = folder / "disk", folder / "log", folder / "recorder.so"
    shutil.rmtree(disk, ignore_errors=True)
    disk.mkdir(parents=True)
    log.unlink(missing_ok=True)
    (folder / "recorder.c").write_text(_SOURCE)
    build = [
        "cc",
        "-shared",
        "-fPIC",
        "-O1",
        "-o",
        str(library),
        str(folder / "recorder.c"),
        "-ldl",
        "-lpthread",
    ]
    subprocess.run(build, check=True, capture_output=True)
    env = {**os.environ, "LD_PRELOAD": str(library), "RECORDED_DISK": str(disk), "RECORDED_LOG": str(log)}
    subprocess.run([sys.executable, "-c", program, str(disk), *words], check=True, env=env)
    data, at, found = log.read_bytes(), 0, []
    while at < len(data):
        kind, first, second, place = struct.unpack_from("=cIIq", data, at)
        at += 17
        path, other = data[at : at + first].decode(), data[at + first : at + first + second]
        found.append(Operation(kind.decode(), path, other, place))
        at += first + second
    return found


@dataclass
class _Disk:
    """Files by number, names, and changes not yet synced."""

    files: dict[int, bytearray] = field(default_factory=dict)
    names: dict[str, int] = field(default_factory=dict)

    def copy(self) -> _Disk:
        return _Disk({n: bytearray(data) for n, data in self.files.items()}, dict(self.names))

    def change(self, number: int, operation: Operation) -> None:
        """Apply a change of content."""
        data = self.files.setdefault(number, bytearray())
        if operation.kind == "T":
            del data[operation.at :]
            data.extend(bytes(operation.at - len(data)))
        else:
            data.extend(bytes(max(0, operation.at - len(data))))
            data[operation.at : operation.at + len(operation.other)] = operation.other

    def rename(self, operation: Operation, number: int) -> None:
        """Apply a change of names."""
        other = operation.other.decode()
        if operation.kind == "C":
            self.names[operation.path] = number
        elif operation.kind == "U":
            self.names.pop(operation.path, None)
        elif operation.kind == "L":
            self.names[other] = number
        else:
            self.names.pop(operation.path, None)
            self.names[other] = number


class _Computer:
    """What is on the disk for sure, what is only on its way there, and what a running program sees."""

    def __init__(self) -> None:
        self._seen, self._safe = _Disk(), _Disk()
        self._content: list[tuple[int, Operation]] = []
        self._naming: list[tuple[int, Operation]] = []
        self._numbers = 0

    def run(self, operation: Operation) -> None:
        """Take the next operation."""
        if operation.kind in "CULR":
            if operation.kind == "C":
                self._numbers += 1
            number = self._numbers if operation.kind == "C" else self._seen.names.get(operation.path, 0)
            self._seen.rename(operation, number)
            self._naming.append((number, operation))
        elif operation.kind == "S":
            self._sync(operation.path)
        elif operation.path in self._seen.names:
            self._content.append((self._seen.names[operation.path], operation))

    def _sync(self, path: str) -> None:
        if path in self._seen.names:
            synced = self._seen.names[path]
            for number, change in self._content:
                if number == synced:
                    self._safe.change(number, change)
            self._content = [waiting for waiting in self._content if waiting[0] != synced]
            return
        folder = path.rstrip("/")
        for number, change in self._naming:
            if change.folder == folder:
                self._safe.rename(change, number)
        self._naming = [waiting for waiting in self._naming if waiting[1].folder != folder]

    def cut(self, rng: random.Random) -> _Disk:
        """A disk as it may be if the power went now."""
        disk = self._safe.copy()
        kept = rng.choice((0.0, 0.5, 0.5, 0.9, 1.0))
        for number, change in self._content:
            if rng.random() < kept:
                disk.change(number, change)
            elif change.kind == "W" and change.other and rng.random() < 0.3:
                disk.change(number, _torn(change, rng))
        for number, change in self._naming:
            if rng.random() < kept:
                disk.rename(change, number)
        return disk


def _torn(operation: Operation, rng: random.Random) -> Operation:
    """A write of which only some sectors reached the disk."""
    count = (len(operation.other) + _SECTOR - 1) // _SECTOR
    first = rng.randrange(count)
    last = rng.randint(first + 1, count)
    piece = operation.other[first * _SECTOR : last * _SECTOR]
    return Operation("W", operation.path, piece, operation.at + first * _SECTOR)


def states_after_cuts(
    operations: list[Operation], disk: Path, target: Path, count: int, seed: int = 1
) -> Iterator[tuple[int, Path]]:
    """Rebuild the disk after cuts at random places; yields how many operations came before, and the folder."""
    rng = random.Random(seed)
    computer, done = _Computer(), 0
    for cut in sorted(rng.randrange(1, len(operations) + 1) for _ in range(count)):
        for operation in operations[done:cut]:
            computer.run(operation)
        done = cut
        state = computer.cut(rng)
        shutil.rmtree(target, ignore_errors=True)
        target.mkdir(parents=True)
        for name, number in state.names.items():
            place = target / Path(name).relative_to(disk)
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(state.files.get(number, b""))
        yield cut, target
