/* Writes down, in order, what a program does to the files of one folder: preloaded into it (LD_PRELOAD).
   Each entry: kind, length of the path, offset, length of the data (native, 4 + 4 + 8 + 8 bytes), path, data. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <limits.h>
#include <pthread.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/types.h>
#include <unistd.h>

enum { WRITE = 1, TRUNCATE = 2, SYNC = 3, UNLINK = 4 };

static int log_fd = -1;
static const char *folder;
static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static ssize_t (*real_write)(int, const void *, size_t);

static void *find(const char *name) { return dlsym(RTLD_NEXT, name); }

__attribute__((constructor)) static void begin(void) {
  const char *path = getenv("WRITE_LOG");
  folder = getenv("WRITE_LOG_FOLDER");
  real_write = find("write");
  if (path && folder) log_fd = open(path, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
}

static void put(const void *data, size_t n) {
  const char *at = data;
  while (n > 0) {
    ssize_t done = real_write(log_fd, at, n);
    if (done <= 0) _exit(70);
    at += done;
    n -= done;
  }
}

static void note(uint32_t kind, const char *path, uint64_t offset, const void *data, uint64_t n) {
  struct { uint32_t kind, n_path; uint64_t offset, n_data; } head = {kind, (uint32_t)strlen(path), offset, n};
  if (log_fd < 0 || strncmp(path, folder, strlen(folder)) != 0) return;
  pthread_mutex_lock(&lock);
  put(&head, sizeof head);
  put(path, head.n_path);
  if (data) put(data, n);
  pthread_mutex_unlock(&lock);
}

static const char *name_of(int fd, char *path) {
  char link[64];
  snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
  ssize_t n = readlink(link, path, PATH_MAX - 1);
  path[n > 0 ? n : 0] = 0;
  return path;
}

#define PWRITE(NAME, OFFSET)                                              \
  ssize_t NAME(int fd, const void *data, size_t n, OFFSET at) {           \
    static ssize_t (*real)(int, const void *, size_t, OFFSET);            \
    char path[PATH_MAX];                                                  \
    if (!real) real = find(#NAME);                                        \
    note(WRITE, name_of(fd, path), (uint64_t)at, data, n);                \
    return real(fd, data, n, at);                                         \
  }
PWRITE(pwrite, off_t)
PWRITE(pwrite64, off64_t)

ssize_t write(int fd, const void *data, size_t n) {
  char path[PATH_MAX];
  if (!real_write) real_write = find("write");
  if (log_fd >= 0 && fd != log_fd && name_of(fd, path)[0] == '/') {
    off_t at = lseek(fd, 0, SEEK_CUR);
    if (at >= 0) note(WRITE, path, (uint64_t)at, data, n);
  }
  return real_write(fd, data, n);
}

#define CUT(NAME, OFFSET)                                                 \
  int NAME(int fd, OFFSET n) {                                            \
    static int (*real)(int, OFFSET);                                      \
    char path[PATH_MAX];                                                  \
    if (!real) real = find(#NAME);                                        \
    note(TRUNCATE, name_of(fd, path), (uint64_t)n, NULL, 0);              \
    return real(fd, n);                                                   \
  }
CUT(ftruncate, off_t)
CUT(ftruncate64, off64_t)

#define FLUSH(NAME)                                                       \
  int NAME(int fd) {                                                      \
    static int (*real)(int);                                              \
    char path[PATH_MAX];                                                  \
    if (!real) real = find(#NAME);                                        \
    int result = real(fd);                                                \
    if (result == 0) note(SYNC, name_of(fd, path), 0, NULL, 0);           \
    return result;                                                        \
  }
FLUSH(fsync)
FLUSH(fdatasync)

int unlink(const char *path) {
  static int (*real)(const char *);
  if (!real) real = find("unlink");
  note(UNLINK, path, 0, NULL, 0);
  return real(path);
}
