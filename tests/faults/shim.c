/* Fails, or ends the process, at the k-th call of a kind below a folder. Loaded by LD_PRELOAD (ld.so(8)), and does nothing
 * until shim_set says what:
 *
 *   below   only calls on files below this folder count
 *   kind    which calls count: those that change something, write bytes, read some, or flush
 *   at      at which of them to act, from 1; 0: only count, which shim_calls gives
 *   what    "kill" (SIGKILL before the call), "stop" (SIGSTOP before it), "short" (half of the bytes), "lost" (say that it was done), "flip" (one bit
 *           is another), "aside" (4096 bytes further on), or an errno. What stopped fails if SIGUSR2 came: with EIO, and once
 *   ever    not 0: at each one from there on
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/types.h>
#include <sys/uio.h>
#include <unistd.h>

enum { GO_ON, FAIL, SHORT, LOST, FLIP, ASIDE };
enum { CHANGING = 1, WRITING = 2, READING = 4, FLUSHING = 8 };

static char root[4096], act[16];
static long at_call;
static int for_ever, counted;
static atomic_long calls;
static atomic_int told;

static void tell(int number) { (void)number, atomic_store(&told, EIO); }

void shim_set(const char *below, int kind, long at, const char *what, int ever) {
  strncpy(root, below, sizeof root - 1);
  strncpy(act, what, sizeof act - 1);
  at_call = at;
  for_ever = ever;
  counted = kind;
  atomic_store(&calls, 0);
  signal(SIGUSR2, tell);
}

long shim_calls(void) { return atomic_load(&calls); }

static int is_below(const char *path) {
  size_t length = strlen(root);
  return length && !strncmp(path, root, length) && (path[length] == '/' || !path[length]);
}

static int is_fd_below(int fd) {
  char link[64], path[4096];
  snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
  ssize_t length = readlink(link, path, sizeof path - 1);
  if (length <= 0) return 0;
  path[length] = 0;
  return is_below(path);
}

static int is_path_below(int folder, const char *path) {
  if (!path) return is_fd_below(folder);
  if (*path == '/') return is_below(path);
  if (folder != AT_FDCWD) return is_fd_below(folder);
  char here[4096];
  return getcwd(here, sizeof here) && is_below(here);
}

static int turn(int kind) {
  if (!(kind & counted)) return GO_ON;
  long number = atomic_fetch_add(&calls, 1) + 1;
  if (!at_call || number < at_call || (number > at_call && !for_ever)) return GO_ON;
  if (!strcmp(act, "kill")) {
    kill(getpid(), SIGKILL);
    for (;;) pause();
  }
  if (!strcmp(act, "stop")) {
    kill(getpid(), SIGSTOP);
    errno = atomic_load(&told);
    if (!errno) return GO_ON;
    at_call = 0;
    return FAIL;
  }
  if (!strcmp(act, "short")) return SHORT;
  if (!strcmp(act, "lost")) return LOST;
  if (!strcmp(act, "flip")) return FLIP;
  if (!strcmp(act, "aside")) return ASIDE;
  errno = atoi(act);
  return FAIL;
}

#define REAL(name) \
  static __typeof__(&name) real; \
  if (!real) real = (__typeof__(&name))dlsym(RTLD_NEXT, #name)

/* One that gives 0 when it was done. */
#define CHANGES(name, parameters, arguments, is_ours) DOES(CHANGING, name, parameters, arguments, is_ours)
#define FLUSHES(name, parameters, arguments, is_ours) DOES(CHANGING | FLUSHING, name, parameters, arguments, is_ours)
#define DOES(kind, name, parameters, arguments, is_ours) \
  int name parameters { \
    REAL(name); \
    if (counted && (is_ours)) switch (turn(kind)) { \
      case FAIL: return -1; \
      case LOST: return 0; \
    } \
    return real arguments; \
  }

/* The same bytes but for one bit in their midst; aligned, as O_DIRECT wants it (open(2)). */
static void *other_bytes(const void *data, size_t size) {
  void *other = NULL;
  if (posix_memalign(&other, 4096, size)) abort();
  memcpy(other, data, size);
  ((unsigned char *)other)[size / 2] ^= 1;
  return other;
}

/* One that gives the number of bytes that it wrote. */
#define WRITES(name, parameters, with, further) \
  ssize_t name parameters { \
    REAL(name); \
    void *other = NULL; \
    ssize_t done; \
    if (counted && size && is_fd_below(fd)) switch (turn(CHANGING | WRITING)) { \
      case FAIL: return -1; \
      case LOST: return further(fd, size), (ssize_t)size; \
      case SHORT: if (size > 1) return real with(data, size / 2, 0); break; \
      case ASIDE: return real with(data, size, 4096); \
      case FLIP: \
        other = other_bytes(data, size); \
        done = real with(other, size, 0); \
        free(other); \
        return done; \
    } \
    return real with(data, size, 0); \
  }

static void seek_on(int fd, size_t size) { lseek(fd, (off_t)size, SEEK_CUR); }
static void stay(int fd, size_t size) { (void)fd, (void)size; }

#define WITH_NO_PLACE(data, size, on) (fd, data, size)
#define WITH_PLACE(data, size, on) (fd, data, size, to + (on))
WRITES(write, (int fd, const void *data, size_t size), WITH_NO_PLACE, seek_on)
WRITES(pwrite, (int fd, const void *data, size_t size, off_t to), WITH_PLACE, stay)
WRITES(pwrite64, (int fd, const void *data, size_t size, off64_t to), WITH_PLACE, stay)

/* What was read, with one bit of it another. */
static ssize_t flipped(void *into, ssize_t count) {
  if (count > 0) ((unsigned char *)into)[count / 2] ^= 1;
  return count;
}

/* One that gives the number of bytes that it read. */
#define READS(name, parameters, arguments, into, half) \
  ssize_t name parameters { \
    REAL(name); \
    if (counted && is_fd_below(fd)) switch (turn(READING)) { \
      case FAIL: return -1; \
      case SHORT: return real half; \
      case FLIP: return flipped(into, real arguments); \
    } \
    return real arguments; \
  }

static size_t half_of(size_t size) { return size > 1 ? size / 2 : size; }

READS(read, (int fd, void *into, size_t size), (fd, into, size), into, (fd, into, half_of(size)))
READS(pread, (int fd, void *into, size_t size, off_t from), (fd, into, size, from), into,
      (fd, into, half_of(size), from))
READS(pread64, (int fd, void *into, size_t size, off64_t from), (fd, into, size, from), into,
      (fd, into, half_of(size), from))
/* Ours read into one piece of memory. Half of it would not be aligned, and a short reading is tried by the others. */
READS(preadv, (int fd, const struct iovec *into, int pieces, off_t from), (fd, into, pieces, from),
      into->iov_base, (fd, into, pieces, from))
READS(preadv64, (int fd, const struct iovec *into, int pieces, off64_t from), (fd, into, pieces, from),
      into->iov_base, (fd, into, pieces, from))
/* Which of them os.preadv calls is a matter of how Python was built. */
READS(preadv2, (int fd, const struct iovec *into, int pieces, off_t from, int flags), (fd, into, pieces, from, flags),
      into->iov_base, (fd, into, pieces, from, flags))
READS(preadv64v2, (int fd, const struct iovec *into, int pieces, off64_t from, int flags),
      (fd, into, pieces, from, flags), into->iov_base, (fd, into, pieces, from, flags))
FLUSHES(fsync, (int fd), (fd), is_fd_below(fd))
FLUSHES(fdatasync, (int fd), (fd), is_fd_below(fd))
FLUSHES(syncfs, (int fd), (fd), is_fd_below(fd))
CHANGES(ftruncate, (int fd, off_t size), (fd, size), is_fd_below(fd))
CHANGES(ftruncate64, (int fd, off64_t size), (fd, size), is_fd_below(fd))
CHANGES(futimens, (int fd, const struct timespec when[2]), (fd, when), is_fd_below(fd))
CHANGES(rename, (const char *old, const char *new), (old, new), is_path_below(AT_FDCWD, new))
CHANGES(renameat, (int from, const char *old, int to, const char *new), (from, old, to, new), is_path_below(to, new))
CHANGES(renameat2, (int from, const char *old, int to, const char *new, unsigned flags), (from, old, to, new, flags),
        is_path_below(to, new))
CHANGES(linkat, (int from, const char *old, int to, const char *new, int flags), (from, old, to, new, flags),
        is_path_below(to, new))
CHANGES(unlink, (const char *path), (path), is_path_below(AT_FDCWD, path))
CHANGES(unlinkat, (int folder, const char *path, int flags), (folder, path, flags), is_path_below(folder, path))
CHANGES(mkdir, (const char *path, mode_t mode), (path, mode), is_path_below(AT_FDCWD, path))
CHANGES(mkdirat, (int folder, const char *path, mode_t mode), (folder, path, mode), is_path_below(folder, path))

/* Opening counts when it makes or empties a file. */
#define OPENS(name, parameters, arguments, is_ours) \
  int name parameters { \
    REAL(name); \
    va_list rest; \
    va_start(rest, flags); \
    mode_t mode = (flags & (O_CREAT | O_TMPFILE)) ? va_arg(rest, mode_t) : 0; \
    va_end(rest); \
    if ((flags & (O_CREAT | O_TRUNC)) && counted && (is_ours) && turn(CHANGING) == FAIL) return -1; \
    return real arguments; \
  }

OPENS(open, (const char *path, int flags, ...), (path, flags, mode), is_path_below(AT_FDCWD, path))
OPENS(open64, (const char *path, int flags, ...), (path, flags, mode), is_path_below(AT_FDCWD, path))
OPENS(openat, (int folder, const char *path, int flags, ...), (folder, path, flags, mode), is_path_below(folder, path))
OPENS(openat64, (int folder, const char *path, int flags, ...), (folder, path, flags, mode), is_path_below(folder, path))
