/* A machine that fails on order, for one program: LD_PRELOAD of this stands between it and the C library.

   Of files whose name begins with FAULTY_FILES it makes syncing slow, refuses what would need more room on the
   disk (ENOSPC; what lies within a file as long as it is goes through, as on a disk that is full), and writes
   down what is written and synced, in order. Of the whole program it sets the wall clock. What is ordered
   stands in FAULTY_ORDERS, a file that both sides have mapped, so that it can be changed while the program runs. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

#define FILES 4096

struct orders {
    volatile int64_t sync_us, full, wall_us; /* each sync takes so long; no room; the wall clock is ahead by */
    volatile int64_t syncs, refused;         /* counted here */
};
struct record { /* then the name's or the data's bytes */
    int64_t at_ns;
    int64_t offset, length;
    int32_t what, file; /* what: 'o' opened (the name), 'w', 't' truncated, 's' synced, 'u' unlinked (the name) */
};

static struct orders none, *orders = &none;
static const char *files;
static int log_fd = -1;
static char watched[FILES];
static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;

#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))

__attribute__((constructor)) static void begin(void) {
    const char *name = getenv("FAULTY_ORDERS");
    files = getenv("FAULTY_FILES");
    if (name != NULL) {
        int fd = REAL(open)(name, O_RDWR | O_CLOEXEC);
        void *page = fd < 0 ? MAP_FAILED : mmap(NULL, 4096, PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
        if (page != MAP_FAILED) orders = page;
    }
    if ((name = getenv("FAULTY_LOG")) != NULL) log_fd = REAL(open)(name, O_WRONLY | O_APPEND | O_CREAT | O_CLOEXEC, 0600);
}

static int of_ours(const char *name) { return files != NULL && name != NULL && strncmp(name, files, strlen(files)) == 0; }

/* Their folder too: syncing it makes names sure. */
static int is_folder(const char *name) {
    if (files == NULL || name == NULL) return 0;
    size_t many = (size_t)(strrchr(files, '/') - files);
    return strlen(name) == many && strncmp(name, files, many) == 0;
}
static int is_watched(int fd) { return fd >= 0 && fd < FILES && watched[fd]; }

static void note(int what, int file, int64_t offset, int64_t length, const void *bytes, size_t many) {
    if (log_fd < 0) return;
    struct timespec now;
    REAL(clock_gettime)(CLOCK_MONOTONIC, &now);
    struct record one = {now.tv_sec * 1000000000LL + now.tv_nsec, offset, length, what, file};
    pthread_mutex_lock(&lock);
    ssize_t done = REAL(write)(log_fd, &one, sizeof one);
    if (many) done = REAL(write)(log_fd, bytes, many);
    (void)done;
    pthread_mutex_unlock(&lock);
}

static int opened(int fd, const char *name) {
    if (fd >= 0 && fd < FILES) {
        watched[fd] = (char)(of_ours(name) || is_folder(name));
        if (watched[fd]) note('o', fd, 0, (int64_t)strlen(name), name, strlen(name));
    }
    return fd;
}

#define OPEN(function)                                                                                          \
    int function(const char *name, int flags, ...) {                                                            \
        va_list more;                                                                                           \
        va_start(more, flags);                                                                                  \
        mode_t mode = flags & (O_CREAT | __O_TMPFILE) ? va_arg(more, mode_t) : 0;                               \
        va_end(more);                                                                                           \
        return opened(REAL(function)(name, flags, mode), name);                                                 \
    }
OPEN(open)
OPEN(open64)

#define OPENAT(function)                                                                                        \
    int function(int folder, const char *name, int flags, ...) {                                                \
        va_list more;                                                                                           \
        va_start(more, flags);                                                                                  \
        mode_t mode = flags & (O_CREAT | __O_TMPFILE) ? va_arg(more, mode_t) : 0;                               \
        va_end(more);                                                                                           \
        return opened(REAL(function)(folder, name, flags, mode), name);                                         \
    }
OPENAT(openat)
OPENAT(openat64)

int close(int fd) {
    if (is_watched(fd)) watched[fd] = 0;
    return REAL(close)(fd);
}

static int no_room(int fd, int64_t end) {
    struct stat now;
    if (!orders->full || !is_watched(fd) || fstat(fd, &now) != 0 || end <= now.st_size) return 0;
    orders->refused++;
    errno = ENOSPC;
    return 1;
}

ssize_t write(int fd, const void *bytes, size_t many) {
    if (is_watched(fd)) {
        off_t at = lseek(fd, 0, SEEK_CUR);
        if (no_room(fd, at + (off_t)many)) return -1;
        note('w', fd, at, (int64_t)many, bytes, many);
    }
    return REAL(write)(fd, bytes, many);
}

#define PWRITE(function, offset_t)                                                                              \
    ssize_t function(int fd, const void *bytes, size_t many, offset_t at) {                                     \
        if (is_watched(fd)) {                                                                                   \
            if (no_room(fd, at + (off_t)many)) return -1;                                                       \
            note('w', fd, at, (int64_t)many, bytes, many);                                                      \
        }                                                                                                       \
        return REAL(function)(fd, bytes, many, at);                                                             \
    }
PWRITE(pwrite, off_t)
PWRITE(pwrite64, off64_t)

#define TRUNCATE(function, offset_t)                                                                            \
    int function(int fd, offset_t length) {                                                                     \
        if (is_watched(fd)) {                                                                                   \
            if (no_room(fd, length)) return -1;                                                                 \
            note('t', fd, 0, length, NULL, 0);                                                                  \
        }                                                                                                       \
        return REAL(function)(fd, length);                                                                      \
    }
TRUNCATE(ftruncate, off_t)
TRUNCATE(ftruncate64, off64_t)

static void dawdle(int fd) {
    if (!is_watched(fd)) return;
    orders->syncs++;
    int64_t us = orders->sync_us;
    if (us <= 0) return;
    struct timespec wait = {us / 1000000, us % 1000000 * 1000};
    nanosleep(&wait, NULL);
}

#define SYNC(function)                                                                                          \
    int function(int fd) {                                                                                      \
        dawdle(fd);                                                                                             \
        int result = REAL(function)(fd);                                                                        \
        if (is_watched(fd)) note('s', fd, 0, 0, NULL, 0);                                                       \
        return result;                                                                                          \
    }
SYNC(fsync)
SYNC(fdatasync)

int unlink(const char *name) {
    if (of_ours(name)) note('u', -1, 0, (int64_t)strlen(name), name, strlen(name));
    return REAL(unlink)(name);
}

int clock_gettime(clockid_t which, struct timespec *now) {
    int result = REAL(clock_gettime)(which, now);
    if (result == 0 && which == CLOCK_REALTIME && orders->wall_us != 0) {
        int64_t us = now->tv_sec * 1000000LL + now->tv_nsec / 1000 + orders->wall_us;
        now->tv_nsec = us % 1000000 * 1000 + now->tv_nsec % 1000;
        now->tv_sec = us / 1000000;
    }
    return result;
}

time_t time(time_t *to) {
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    if (to != NULL) *to = now.tv_sec;
    return now.tv_sec;
}

int gettimeofday(struct timeval *now, void *zone) {
    struct timespec exact;
    (void)zone;
    clock_gettime(CLOCK_REALTIME, &exact);
    now->tv_sec = exact.tv_sec;
    now->tv_usec = exact.tv_nsec / 1000;
    return 0;
}
