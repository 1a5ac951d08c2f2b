// Makes the n-th call that changes anything below one folder fail, or kills the process in it. Loaded by LD_PRELOAD.
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/types.h>
#include <sys/uio.h>
#include <unistd.h>

static char folder[4096];
static atomic_long calls, when = -1;
static int how; // errno to give; 0: kill

void fault_arm(const char *below, long at, int error) {
    strncpy(folder, below, sizeof folder - 1);
    calls = 0;
    how = error;
    when = at;
}

long fault_calls(void) { return calls; }

static int below(const char *path) { return folder[0] && path && !strncmp(path, folder, strlen(folder)); }

static int below_fd(int fd) {
    char link[64], path[4096];
    if (!folder[0]) return 0;
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, path, sizeof path - 1);
    if (n < 0) return 0;
    path[n] = 0;
    return below(path);
}

// 0: go on, 1: fail with errno, 2: be killed
static int turn(void) {
    long n = atomic_fetch_add(&calls, 1);
    if (n != when) return 0;
    if (!how) return 2;
    errno = how;
    return 1;
}

static void die(void) {
    kill(getpid(), SIGKILL);
    for (;;) pause();
}

#define REAL(name) __typeof__(name) *real = (__typeof__(name) *)dlsym(RTLD_NEXT, #name)
#define SIMPLE(name, hit, params, args)            \
    int name params {                              \
        REAL(name);                                \
        if (hit) switch (turn()) {                 \
            case 1: return -1;                     \
            case 2: die();                         \
            }                                      \
        return real args;                          \
    }
#define WRITER(name, params, args, half)           \
    ssize_t name params {                          \
        REAL(name);                                \
        if (below_fd(fd)) switch (turn()) {        \
            case 1: return -1;                     \
            case 2: half; die();                   \
            }                                      \
        return real args;                          \
    }
#define OPENER(name, hit, params, args)            \
    int name params {                              \
        REAL(name);                                \
        mode_t mode = 0;                           \
        if (flags & (O_CREAT | O_TMPFILE)) {       \
            va_list list;                          \
            va_start(list, flags);                 \
            mode = va_arg(list, mode_t);           \
            va_end(list);                          \
        }                                          \
        if ((flags & O_CREAT) && (hit)) switch (turn()) { \
            case 1: return -1;                     \
            case 2: die();                         \
            }                                      \
        return real args;                          \
    }

WRITER(write, (int fd, const void *data, size_t n), (fd, data, n), (void)!real(fd, data, n / 2))
WRITER(pwrite64, (int fd, const void *data, size_t n, off64_t at), (fd, data, n, at), (void)!real(fd, data, n / 2, at))
WRITER(writev, (int fd, const struct iovec *v, int n), (fd, v, n), (void)!real(fd, v, n / 2))
SIMPLE(fsync, below_fd(fd), (int fd), (fd))
SIMPLE(fdatasync, below_fd(fd), (int fd), (fd))
SIMPLE(ftruncate64, below_fd(fd), (int fd, off64_t n), (fd, n))
SIMPLE(rename, below(to), (const char *from, const char *to), (from, to))
SIMPLE(renameat, below(to), (int a, const char *from, int b, const char *to), (a, from, b, to))
SIMPLE(mkdir, below(path), (const char *path, mode_t mode), (path, mode))
SIMPLE(mkdirat, below(path), (int at, const char *path, mode_t mode), (at, path, mode))
SIMPLE(unlink, below(path), (const char *path), (path))
SIMPLE(rmdir, below(path), (const char *path), (path))
OPENER(open, below(path), (const char *path, int flags, ...), (path, flags, mode))
OPENER(open64, below(path), (const char *path, int flags, ...), (path, flags, mode))
OPENER(openat, below(path), (int at, const char *path, int flags, ...), (at, path, flags, mode))
OPENER(openat64, below(path), (int at, const char *path, int flags, ...), (at, path, flags, mode))
