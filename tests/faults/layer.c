/* A failing file layer: loaded into the real program with LD_PRELOAD, it stands between the program (SQLite and the
 * Rust library alike) and the C library, for files under one folder.
 *
 *   LAYER_ROOT=DIR      the folder; everything else is passed on untouched
 *   LAYER_FAULT=WHAT    what goes wrong, once:
 *     kill@N            before the N-th change of a file or folder the process is killed (SIGKILL)
 *     after@N           ... after it
 *     torn@N:BYTES      the N-th change, if it writes, writes so many bytes only; then the process is killed
 *     fail@N:ERRNO      the N-th change fails with this error number, those after it succeed
 *     fails@N:ERRNO     ... and so do all after it: a full, a broken or a read-only disk
 *     read@N:ERRNO      the N-th read fails
 *   LAYER_JOURNAL=FILE  every change is written there in its order, with its data, and the moment at which the program
 *                       first says something on standard output: what a test needs to work out which states of the disk
 *                       a power cut can leave
 *   LAYER_CLOCK=SECONDS added to the time of day
 *
 * Changes are: opening for writing, write, truncate, sync of a file or a folder, unlink, rename, link, mkdir, chmod.
 * Nothing is really synced: what is on a disk after a kill does not depend on it, and power cuts are worked out from
 * the journal. One lock orders the changes, so that the journal's order is the real one.
 *
 * Ops of the journal: O o N n opened (made if missing, emptied, to write, to read only), W write, T truncate, S sync,
 * U unlink, R rename, L link, M mkdir, P chmod, X a change that failed by itself, A the program's first word on standard
 * output, E the end (offset: reads). All but n, A and E are changes.
 *
 * Record of the journal, little-endian: u8 op, u32 open, u32 length of path, u32 length of second path, u64 offset,
 * u64 length of data; then path, second path (both relative to the folder), data. `open` numbers the opening of a file
 * (from 1); a file keeps it when it is renamed.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <pthread.h>
#include <signal.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/types.h>
#include <sys/uio.h>
#include <time.h>
#include <unistd.h>

#define FDS 4096

enum kind { NOTHING, KILL, AFTER, TORN, FAIL, FAILS, READ };

static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static char root[4096];
static size_t root_len;
static enum kind kind;
static long at, detail, changes, reads, shift;
static int journal = -1, told;
static uint32_t opened[FDS], opens; /* by descriptor: number of its opening, 0 = not ours */
static char appends[FDS];

/* The next function of this name: the C library's. */
#define REAL(type, name, ...)                                                                                        \
    static type (*real)(__VA_ARGS__);                                                                                \
    if (!real) real = (type(*)(__VA_ARGS__))dlsym(RTLD_NEXT, name)

static void raw_write(int fd, const void *data, size_t len) {
    const char *p = data;
    while (len > 0) {
        long n = syscall(SYS_write, fd, p, len);
        if (n <= 0) return;
        p += n, len -= (size_t)n;
    }
}

__attribute__((constructor)) static void begin(void) {
    const char *r = getenv("LAYER_ROOT"), *f = getenv("LAYER_FAULT"), *j = getenv("LAYER_JOURNAL");
    const char *c = getenv("LAYER_CLOCK");
    static const char *names[] = {"", "kill@", "after@", "torn@", "fail@", "fails@", "read@"};
    if (c) shift = atol(c);
    if (r && strlen(r) + 2 < sizeof root) root_len = strlen(strcpy(root, r));
    for (int i = KILL; f && i <= READ; i++)
        if (strncmp(f, names[i], strlen(names[i])) == 0) {
            kind = i;
            sscanf(f + strlen(names[i]), "%ld:%ld", &at, &detail);
        }
    if (j) journal = (int)syscall(SYS_openat, AT_FDCWD, j, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
}

/* A path as seen from the root; the last four of a thread stay valid. */
static const char *whole(const char *path) {
    static __thread char all[4][PATH_MAX];
    static __thread unsigned turn;
    if (path[0] == '/') return path;
    char *buf = all[turn++ % 4];
    if (getcwd(buf, PATH_MAX) == NULL) return path;
    while (path[0] == '.' && (path[1] == '/' || path[1] == '\0')) path += path[1] ? 2 : 1;
    size_t n = strlen(buf);
    if (*path) snprintf(buf + n, PATH_MAX - n, "/%s", path);
    return buf;
}

/* The part of a path behind the folder, or NULL. */
static const char *inside(const char *path) {
    if (root_len == 0) return NULL;
    path = whole(path);
    if (strncmp(path, root, root_len) != 0) return NULL;
    if (path[root_len] == '\0') return path + root_len;
    return path[root_len] == '/' ? path + root_len + 1 : NULL;
}

static int ours(int fd) { return fd >= 0 && fd < FDS && opened[fd] != 0; }

static void note(char op, uint32_t open, const char *path, const char *second, uint64_t offset, const void *data,
                 uint64_t len) {
    if (journal < 0) return;
    uint32_t a = path ? (uint32_t)strlen(path) : 0, b = second ? (uint32_t)strlen(second) : 0;
    char head[29];
    head[0] = op;
    memcpy(head + 1, &open, 4), memcpy(head + 5, &a, 4), memcpy(head + 9, &b, 4);
    memcpy(head + 13, &offset, 8), memcpy(head + 21, &len, 8);
    raw_write(journal, head, sizeof head);
    if (a) raw_write(journal, path, a);
    if (b) raw_write(journal, second, b);
    if (data) raw_write(journal, data, len);
}

__attribute__((destructor)) static void end(void) { note('E', 0, NULL, NULL, (uint64_t)reads, NULL, 0); }

static void die(void) {
    for (;;) kill(getpid(), SIGKILL);
}

/* Before a change: whether it fails, and with what. Kills if that is due. */
static int struck(void) {
    changes++;
    if (kind == KILL && changes == at) die();
    if ((kind == FAIL && changes == at) || (kind == FAILS && changes >= at)) return (int)detail;
    return 0;
}

/* After a change. */
static void survived(void) {
    if (kind == AFTER && changes == at) die();
}

#define CHANGE(failed, call, record)                                                                                 \
    pthread_mutex_lock(&lock);                                                                                       \
    int error = struck();                                                                                            \
    if (kind == TORN && changes == at) die();                                                                        \
    if (error) {                                                                                                     \
        pthread_mutex_unlock(&lock);                                                                                 \
        errno = error;                                                                                               \
        return failed;                                                                                               \
    }                                                                                                                \
    __auto_type done = call;                                                                                         \
    int said = errno;                                                                                                \
    if (done != failed) record;                                                                                      \
    else note('X', 0, NULL, NULL, 0, NULL, 0);                                                                       \
    survived();                                                                                                      \
    pthread_mutex_unlock(&lock);                                                                                     \
    errno = said;                                                                                                    \
    return done

static int opening(const char *path, int flags, mode_t mode) {
    const char *name = inside(path);
    if (!name) return (int)syscall(SYS_openat, AT_FDCWD, path, flags, mode);
    int writes = (flags & O_ACCMODE) != O_RDONLY || (flags & (O_CREAT | O_TRUNC));
    pthread_mutex_lock(&lock);
    int error = writes ? struck() : 0;
    if (writes && kind == TORN && changes == at) die();
    long fd = -1;
    if (error) errno = error;
    else fd = syscall(SYS_openat, AT_FDCWD, path, flags, mode);
    int said = errno;
    if (fd >= 0 && fd < FDS) {
        opened[fd] = ++opens;
        appends[fd] = (flags & O_APPEND) != 0;
        note(flags & O_TRUNC ? 'o' : flags & O_CREAT ? 'O' : writes ? 'N' : 'n', opened[fd], name, NULL, 0, NULL, 0);
    } else if (writes) {
        note('X', 0, NULL, NULL, 0, NULL, 0);
    }
    if (writes) survived();
    pthread_mutex_unlock(&lock);
    errno = said;
    return (int)fd;
}

static mode_t mode_of(int flags, va_list rest) {
    return flags & (O_CREAT | __O_TMPFILE) ? (mode_t)va_arg(rest, int) : 0;
}

#define OPEN(name)                                                                                                   \
    int name(const char *path, int flags, ...) {                                                                     \
        va_list rest;                                                                                                \
        va_start(rest, flags);                                                                                       \
        mode_t mode = mode_of(flags, rest);                                                                          \
        va_end(rest);                                                                                                \
        return opening(path, flags, mode);                                                                           \
    }
OPEN(open)
OPEN(open64)

int close(int fd) {
    if (ours(fd)) opened[fd] = 0;
    return (int)syscall(SYS_close, fd);
}

/* `offset` < 0: where the descriptor stands. */
static ssize_t writing(int fd, const void *data, size_t len, off64_t offset) {
    int here = offset < 0;
    if (!ours(fd)) {
        if (fd == 1 && !told && len > 0) {
            told = 1;
            pthread_mutex_lock(&lock);
            note('A', 0, NULL, NULL, 0, NULL, 0);
            pthread_mutex_unlock(&lock);
        }
        return here ? syscall(SYS_write, fd, data, len) : syscall(SYS_pwrite64, fd, data, len, offset);
    }
    pthread_mutex_lock(&lock);
    off64_t from = !here ? offset : lseek64(fd, 0, appends[fd] ? SEEK_END : SEEK_CUR);
    int error = struck();
    ssize_t done = -1;
    if (kind == TORN && changes == at) {
        size_t part = (size_t)detail < len ? (size_t)detail : len;
        if (here) syscall(SYS_write, fd, data, part);
        else syscall(SYS_pwrite64, fd, data, part, offset);
        die();
    }
    if (error) errno = error;
    else done = here ? syscall(SYS_write, fd, data, len) : syscall(SYS_pwrite64, fd, data, len, offset);
    int said = errno;
    if (done > 0) note('W', opened[fd], NULL, NULL, (uint64_t)from, data, (uint64_t)done);
    else note('X', 0, NULL, NULL, 0, NULL, 0);
    survived();
    pthread_mutex_unlock(&lock);
    errno = said;
    return done;
}

ssize_t write(int fd, const void *data, size_t len) { return writing(fd, data, len, -1); }
ssize_t pwrite(int fd, const void *data, size_t len, off_t offset) { return writing(fd, data, len, offset); }
ssize_t pwrite64(int fd, const void *data, size_t len, off64_t offset) { return writing(fd, data, len, offset); }

ssize_t writev(int fd, const struct iovec *parts, int count) {
    if (!ours(fd) && fd != 1) return syscall(SYS_writev, fd, parts, count);
    /* A short write is a legal answer: the first part that is not empty. */
    for (int i = 0; i < count; i++)
        if (parts[i].iov_len > 0) return writing(fd, parts[i].iov_base, parts[i].iov_len, -1);
    return 0;
}

static int reading_fails(int fd) {
    if (!ours(fd)) return 0;
    pthread_mutex_lock(&lock);
    int now = ++reads == at && kind == READ;
    pthread_mutex_unlock(&lock);
    if (now) errno = (int)detail;
    return now;
}

ssize_t read(int fd, void *into, size_t len) {
    return reading_fails(fd) ? -1 : syscall(SYS_read, fd, into, len);
}
ssize_t pread64(int fd, void *into, size_t len, off64_t offset) {
    return reading_fails(fd) ? -1 : syscall(SYS_pread64, fd, into, len, offset);
}

static int cutting(int fd, off64_t len) {
    if (!ours(fd)) return (int)syscall(SYS_ftruncate, fd, len);
    CHANGE(-1, (int)syscall(SYS_ftruncate, fd, len), note('T', opened[fd], NULL, NULL, (uint64_t)len, NULL, 0));
}
int ftruncate(int fd, off_t len) { return cutting(fd, len); }
int ftruncate64(int fd, off64_t len) { return cutting(fd, len); }

int fsync(int fd) {
    if (!ours(fd)) return (int)syscall(SYS_fsync, fd);
    CHANGE(-1, 0, note('S', opened[fd], NULL, NULL, 0, NULL, 0));
}
int fdatasync(int fd) {
    if (!ours(fd)) return (int)syscall(SYS_fdatasync, fd);
    CHANGE(-1, 0, note('S', opened[fd], NULL, NULL, 0, NULL, 0));
}

int unlink(const char *path) {
    REAL(int, "unlink", const char *);
    const char *name = inside(path);
    if (!name) return real(path);
    CHANGE(-1, real(path), note('U', 0, name, NULL, 0, NULL, 0));
}

int rename(const char *from, const char *to) {
    REAL(int, "rename", const char *, const char *);
    const char *name = inside(from), *second = inside(to);
    if (!name || !second) return real(from, to);
    CHANGE(-1, real(from, to), note('R', 0, name, second, 0, NULL, 0));
}

int linkat(int a, const char *from, int b, const char *to, int flags) {
    REAL(int, "linkat", int, const char *, int, const char *, int);
    const char *name = inside(from), *second = inside(to);
    if (!name || !second) return real(a, from, b, to, flags);
    CHANGE(-1, real(a, from, b, to, flags), note('L', 0, name, second, 0, NULL, 0));
}

int mkdir(const char *path, mode_t mode) {
    REAL(int, "mkdir", const char *, mode_t);
    const char *name = inside(path);
    if (!name) return real(path, mode);
    CHANGE(-1, real(path, mode), note('M', 0, name, NULL, 0, NULL, 0));
}

int chmod(const char *path, mode_t mode) {
    REAL(int, "chmod", const char *, mode_t);
    const char *name = inside(path);
    if (!name) return real(path, mode);
    CHANGE(-1, real(path, mode), note('P', 0, name, NULL, mode, NULL, 0));
}

int clock_gettime(clockid_t which, struct timespec *now) {
    int done = (int)syscall(SYS_clock_gettime, which, now);
    if (done == 0 && which == CLOCK_REALTIME) now->tv_sec += shift;
    return done;
}
