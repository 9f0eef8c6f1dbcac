/* Makes the world misbehave for one process: preloaded, and steered by files in $FAULT_DIR. A store's
 * file is one whose path has ".db" in it.
 *   full   every write to a file of a store fails: no space left; where a name stands in it, to those alone
 *          whose path has that in it
 *   hang   every fsync of a file of a store waits as long as it is there; a name in it as with full
 *   broken every fsync of a file of a store fails: input/output error; a name in it as with full
 *   plan   "WHAT NAME FROM COUNT ERRNO", read at the first call: of the calls WHAT (write or sync) on
 *          files whose path ends in NAME, in NAME-wal or in NAME-journal, the FROM-th and COUNT - 1 after
 *          it fail with ERRNO (COUNT 0: all after it), as long as the plan is there; each adds a byte to
 *          the file fired
 *   slow   milliseconds that each fsync of a file of a store takes longer
 *   syncs  where it exists, gets one byte for each fsync of a file of a store
 *   log    where it exists, gets every change of a file of a store, in order: "w PATH OFFSET LENGTH\n"
 *          and the bytes, "t PATH LENGTH 0\n" (truncated), "c PATH 0 0\n" (opened, made if it was not
 *          there), "u PATH 0 0\n" (unlinked), each before it is done; "S PATH 0 0\n" and "s PATH 0 0\n"
 *          before and after a sync, "d PATH 0 0\n" after one of a folder
 *   hidden the list of locks, /proc/locks, is not there
 *   clock  seconds by which the wall clock is wrong
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
#include <sys/stat.h>
#include <sys/time.h>
#include <sys/types.h>
#include <time.h>
#include <unistd.h>

#define REAL(type, name, ...)                                                             \
    static type (*real)(__VA_ARGS__);                                                     \
    if (!real) *(void **)&real = dlsym(RTLD_NEXT, #name)

static int order(const char *what, char *path, size_t size) {
    const char *dir = getenv("FAULT_DIR");
    if (!dir) return 0;
    snprintf(path, size, "%s/%s", dir, what);
    return access(path, F_OK) == 0;
}

static int ordered(const char *what) {
    char path[512];
    return order(what, path, sizeof path);
}

static long figure(const char *what) {
    char path[512], text[64];
    if (!order(what, path, sizeof path)) return 0;
    int file = open(path, O_RDONLY);
    if (file < 0) return 0;
    ssize_t n = read(file, text, sizeof text - 1);
    close(file);
    if (n <= 0) return 0;
    text[n] = 0;
    return strtol(text, NULL, 10);
}

/* One write call, so that what several threads append does not mix. */
static void append(const char *what, const void *bytes, size_t count) {
    char path[512];
    if (!order(what, path, sizeof path)) return;
    int file = open(path, O_WRONLY | O_APPEND);
    if (file < 0) return;
    if (write(file, bytes, count) < 0) { /* what cannot be noted is not worth a failure */ }
    close(file);
}

static int is_of_a_store(const char *path) { return path && strstr(path, ".db") != NULL; }

/* Whether an order concerns a file: each one, or those alone whose path has in it what stands there. */
static int concerns(const char *what, const char *path) {
    char orders[512], name[64];
    if (!order(what, orders, sizeof orders)) return 0;
    int file = open(orders, O_RDONLY);
    if (file < 0) return 0;
    ssize_t n = read(file, name, sizeof name - 1);
    close(file);
    name[n < 0 ? 0 : n] = 0;
    return strstr(path, name) != NULL;
}

static int path_of(int fd, char *path, size_t size) {
    char link[64];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, path, size - 1);
    path[n < 0 ? 0 : n] = 0;
    return n >= 0;
}

static void note(char what, const char *path, long first, const void *bytes, size_t count) {
    if (!ordered("log") || strstr(path, "-shm")) return;
    char head[600];
    int length = snprintf(head, sizeof head, "%c %s %ld %zu\n", what, path, first, count);
    char *record = malloc(length + count);
    if (!record) return;
    memcpy(record, head, length);
    if (count) memcpy(record + length, bytes, count);
    append("log", record, length + count);
    free(record);
}

static struct { char what[8], name[64]; long from, count; int error; } plan;
static atomic_long passed;

__attribute__((constructor)) static void read_plan(void) {
    char path[512];
    if (!order("plan", path, sizeof path)) return;
    FILE *file = fopen(path, "r");
    if (!file) return;
    if (fscanf(file, "%7s %63s %ld %ld %d", plan.what, plan.name, &plan.from, &plan.count, &plan.error) != 5)
        plan.what[0] = 0;
    fclose(file);
}

static int ends_in(const char *path, const char *name, const char *tail) {
    char end[80];
    snprintf(end, sizeof end, "%s%s", name, tail);
    size_t all = strlen(path), part = strlen(end);
    return all >= part && strcmp(path + all - part, end) == 0;
}

/* The error that this call is to end with; 0: none. */
static int planned(const char *what, const char *path) {
    if (strcmp(plan.what, what)) return 0;
    if (!ends_in(path, plan.name, "") && !ends_in(path, plan.name, "-wal")
        && !ends_in(path, plan.name, "-journal")) return 0;
    long nth = atomic_fetch_add(&passed, 1) + 1;
    if (nth < plan.from || (plan.count && nth >= plan.from + plan.count) || !ordered("plan")) return 0;
    append("fired", "1", 1);
    return plan.error;
}

#define WRITING(name)                                                                     \
    ssize_t name(int fd, const void *bytes, size_t count, off_t at) {                     \
        REAL(ssize_t, name, int, const void *, size_t, off_t);                            \
        char path[512];                                                                   \
        if (!path_of(fd, path, sizeof path) || !is_of_a_store(path))                      \
            return real(fd, bytes, count, at);                                            \
        int error = concerns("full", path) ? ENOSPC : planned("write", path);                    \
        if (error) { errno = error; return -1; }                                          \
        note('w', path, at, bytes, count);                                                \
        return real(fd, bytes, count, at);                                                \
    }
WRITING(pwrite)
WRITING(pwrite64)

#define TRUNCATING(name)                                                                  \
    int name(int fd, off_t length) {                                                      \
        REAL(int, name, int, off_t);                                                      \
        char path[512];                                                                   \
        if (path_of(fd, path, sizeof path) && is_of_a_store(path)) note('t', path, length, NULL, 0); \
        return real(fd, length);                                                          \
    }
TRUNCATING(ftruncate)
TRUNCATING(ftruncate64)

#define OPENING(name)                                                                     \
    int name(const char *path, int flags, ...) {                                          \
        REAL(int, name, const char *, int, ...);                                          \
        va_list more;                                                                     \
        va_start(more, flags);                                                            \
        mode_t mode = flags & (O_CREAT | __O_TMPFILE) ? va_arg(more, mode_t) : 0;         \
        va_end(more);                                                                     \
        if ((flags & O_CREAT) && is_of_a_store(path)) note('c', path, 0, NULL, 0);        \
        if (!strcmp(path, "/proc/locks") && ordered("hidden")) {                          \
            errno = ENOENT;                                                               \
            return -1;                                                                    \
        }                                                                                 \
        return real(path, flags, mode);                                                   \
    }
OPENING(open)
OPENING(open64)

int unlink(const char *path) {
    REAL(int, unlink, const char *);
    if (is_of_a_store(path)) note('u', path, 0, NULL, 0);
    return real(path);
}

int fsync(int fd) {
    REAL(int, fsync, int);
    char path[512];
    struct stat about;
    if (!path_of(fd, path, sizeof path)) return real(fd);
    if (!is_of_a_store(path)) {
        int done = real(fd);
        if (!done && !fstat(fd, &about) && S_ISDIR(about.st_mode)) note('d', path, 0, NULL, 0);
        return done;
    }
    append("syncs", "1", 1);
    int error = concerns("broken", path) ? EIO : planned("sync", path);
    if (error) { errno = error; return -1; }
    while (concerns("hang", path)) usleep(20 * 1000);
    long slow = figure("slow");
    if (slow) usleep(slow * 1000);
    note('S', path, 0, NULL, 0);
    int done = real(fd);
    if (!done) note('s', path, 0, NULL, 0);
    return done;
}

int fdatasync(int fd) { return fsync(fd); }

int clock_gettime(clockid_t which, struct timespec *now) {
    REAL(int, clock_gettime, clockid_t, struct timespec *);
    int done = real(which, now);
    if (!done && which == CLOCK_REALTIME) now->tv_sec += figure("clock");
    return done;
}

int gettimeofday(struct timeval *restrict now, void *restrict zone) {
    REAL(int, gettimeofday, struct timeval *, void *);
    int done = real(now, zone);
    if (!done) now->tv_sec += figure("clock");
    return done;
}

time_t time(time_t *out) {
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    if (out) *out = now.tv_sec;
    return now.tv_sec;
}
