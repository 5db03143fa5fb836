/* A disk that fails: preloaded into the daemon by tests/tests/disks.rs, which compiles it.
 *
 * It counts what is done to the store's files ("barmkeep.db" and those beside it) and lets the
 * n-th of a kind fail, and so many after it.
 *
 *   DISK_KIND   write, sync or open; hang: a sync that never comes back
 *   DISK_N      the first that fails, from 1
 *   DISK_TIMES  how many fail; 0: all, as long as the file DISK_WELL is not there
 *   DISK_ERRNO  with this error
 *   DISK_WELL   a file; where it is, the disk is well again
 *   DISK_STRUCK a file that is made at the first failure
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/types.h>
#include <unistd.h>

static atomic_long seen;

static long number(const char *name) {
    const char *text = getenv(name);
    return text ? atol(text) : 0;
}

static int is_kind(const char *kind) {
    const char *wanted = getenv("DISK_KIND");
    return wanted && strcmp(wanted, kind) == 0;
}

/* Whether this call of this kind fails; errno says why. */
static int fails(const char *kind) {
    if (!is_kind(kind)) return 0;
    const char *well = getenv("DISK_WELL");
    if (well && access(well, F_OK) == 0) return 0;
    long count = atomic_fetch_add(&seen, 1) + 1;
    long first = number("DISK_N"), times = number("DISK_TIMES");
    if (count < first || (times > 0 && count >= first + times)) return 0;
    const char *struck = getenv("DISK_STRUCK");
    if (struck) {
        int (*real)(const char *, int, ...) = dlsym(RTLD_NEXT, "open");
        int fd = real(struck, O_CREAT | O_WRONLY, 0600);
        if (fd >= 0) close(fd);
    }
    errno = (int)number("DISK_ERRNO");
    return 1;
}

static int is_store(const char *path) {
    return path && strstr(path, "barmkeep.db") && !strstr(path, ".lock");
}

static int of_store(int fd) {
    char link[64], path[4096];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, sizeof path - 1);
    if (length < 0) return 0;
    path[length] = 0;
    return is_store(path);
}

/* A disk that takes an order and never answers. */
static void hangs(int fd) {
    if (is_kind("hang") && of_store(fd) && fails("hang")) {
        for (;;) pause();
    }
}

ssize_t write(int fd, const void *bytes, size_t count) {
    static ssize_t (*real)(int, const void *, size_t);
    if (!real) real = dlsym(RTLD_NEXT, "write");
    if (is_kind("write") && of_store(fd) && fails("write")) return -1;
    return real(fd, bytes, count);
}

ssize_t pwrite(int fd, const void *bytes, size_t count, off_t at) {
    static ssize_t (*real)(int, const void *, size_t, off_t);
    if (!real) real = dlsym(RTLD_NEXT, "pwrite");
    if (is_kind("write") && of_store(fd) && fails("write")) return -1;
    return real(fd, bytes, count, at);
}

ssize_t pwrite64(int fd, const void *bytes, size_t count, off64_t at) {
    static ssize_t (*real)(int, const void *, size_t, off64_t);
    if (!real) real = dlsym(RTLD_NEXT, "pwrite64");
    if (is_kind("write") && of_store(fd) && fails("write")) return -1;
    return real(fd, bytes, count, at);
}

int fsync(int fd) {
    static int (*real)(int);
    if (!real) real = dlsym(RTLD_NEXT, "fsync");
    if (is_kind("sync") && of_store(fd) && fails("sync")) return -1;
    hangs(fd);
    return real(fd);
}

int fdatasync(int fd) {
    static int (*real)(int);
    if (!real) real = dlsym(RTLD_NEXT, "fdatasync");
    if (is_kind("sync") && of_store(fd) && fails("sync")) return -1;
    hangs(fd);
    return real(fd);
}

static mode_t mode_of(int flags, va_list rest) {
    return (flags & (O_CREAT | O_TMPFILE)) ? va_arg(rest, mode_t) : 0;
}

int open(const char *path, int flags, ...) {
    static int (*real)(const char *, int, ...);
    if (!real) real = dlsym(RTLD_NEXT, "open");
    va_list rest;
    va_start(rest, flags);
    mode_t mode = mode_of(flags, rest);
    va_end(rest);
    if (is_store(path) && (flags & O_ACCMODE) != O_RDONLY && fails("open")) return -1;
    return real(path, flags, mode);
}

int open64(const char *path, int flags, ...) {
    static int (*real)(const char *, int, ...);
    if (!real) real = dlsym(RTLD_NEXT, "open64");
    va_list rest;
    va_start(rest, flags);
    mode_t mode = mode_of(flags, rest);
    va_end(rest);
    if (is_store(path) && (flags & O_ACCMODE) != O_RDONLY && fails("open")) return -1;
    return real(path, flags, mode);
}
