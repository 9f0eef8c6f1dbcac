/* Makes the disk misbehave for one process: preloaded, and steered by files in $FAULT_DIR.
 *   full   every write to a file of a store fails: no space left
 *   broken every fsync of a file of a store fails: input/output error
 *   syncs  where it exists, gets one byte for each fsync of a file of a store
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/types.h>
#include <unistd.h>

static int ordered(const char *what) {
    char path[512];
    const char *dir = getenv("FAULT_DIR");
    if (!dir) return 0;
    snprintf(path, sizeof path, "%s/%s", dir, what);
    return access(path, F_OK) == 0;
}

static int of_a_store(int fd) {
    char link[64], path[512];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, path, sizeof path - 1);
    if (n < 0) return 0;
    path[n] = 0;
    return strstr(path, ".db") != NULL;
}

static void count_one(void) {
    char path[512];
    const char *dir = getenv("FAULT_DIR");
    if (!dir) return;
    snprintf(path, sizeof path, "%s/syncs", dir);
    int file = open(path, O_WRONLY | O_APPEND);
    if (file < 0) return;
    if (write(file, "1", 1) < 0) { /* a count that cannot be kept is not worth a failure */ }
    close(file);
}

#define FAILING(name)                                                                     \
    ssize_t name(int fd, const void *bytes, size_t count, off_t at) {                     \
        static ssize_t (*real)(int, const void *, size_t, off_t);                         \
        if (!real) *(void **)&real = dlsym(RTLD_NEXT, #name);                             \
        if (ordered("full") && of_a_store(fd)) { errno = ENOSPC; return -1; }             \
        return real(fd, bytes, count, at);                                                \
    }
FAILING(pwrite)
FAILING(pwrite64)

int fsync(int fd) {
    static int (*real)(int);
    if (!real) *(void **)&real = dlsym(RTLD_NEXT, "fsync");
    if (ordered("broken") && of_a_store(fd)) { errno = EIO; return -1; }
    if (of_a_store(fd)) count_one();
    return real(fd);
}

int fdatasync(int fd) { return fsync(fd); }
