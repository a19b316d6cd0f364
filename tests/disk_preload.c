/* A disk that is slow, one that fails, and one whose writes are recorded.
 *
 * Loaded with LD_PRELOAD. It concerns the files below the folder DISK_FOLDER. The file DISK_CONTROL
 * holds a `struct control`. While its `stall` is not 0, each write and sync waits; each takes at least
 * `pause_ms`. While its `every` is not 0, each so-many-th of the operations in `kinds` (bits) fails with
 * `error`; if that is 0, only half of a read or write is done. Each change is appended to the file
 * DISK_LOG, if named, after it was made: a head and then the path, the other path or the data.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/uio.h>
#include <time.h>
#include <unistd.h>

struct head {
    int64_t time_ns, inode, offset;
    uint32_t kind, path_size, data_size, reserved;
};

enum { CREATE, WRITE, TRUNCATE, SYNC, RENAME, UNLINK, FAILED_SYNC, READ };

struct control {
    int32_t stall, pause_ms, kinds, every, error, count, failures;
};

static const char *folder;
static struct control no_control;
static volatile struct control *control = &no_control;
static int log_fd = -1;

__attribute__((constructor)) static void begin(void)
{
    folder = getenv("DISK_FOLDER");
    const char *name = getenv("DISK_CONTROL");
    int fd = name ? open(name, O_RDWR | O_CLOEXEC) : -1;
    if (fd >= 0)
        control = mmap(NULL, sizeof *control, PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    name = getenv("DISK_LOG");
    if (name)
        log_fd = open(name, O_WRONLY | O_APPEND | O_CREAT | O_CLOEXEC, 0600);
}

static int below(const char *path)
{
    return folder && strncmp(path, folder, strlen(folder)) == 0;
}

static int path_of(int fd, char *path)
{
    char link[40];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    long size = syscall(SYS_readlinkat, AT_FDCWD, link, path, 4095);
    path[size < 0 ? 0 : size] = 0;
    return size > 0 && below(path);
}

static void wait_while_stalled(void)
{
    struct timespec pause = {0, 1000000};
    for (int ms = 0; control->stall || ms < control->pause_ms; ms++)
        nanosleep(&pause, NULL);
}

/* True if this operation is to fail, or to be cut short: then errno is 0. */
static int fails(int kind)
{
    if (!control->every || !(control->kinds & 1 << kind))
        return 0;
    if (__atomic_add_fetch(&control->count, 1, __ATOMIC_SEQ_CST) % control->every)
        return 0;
    __atomic_add_fetch(&control->failures, 1, __ATOMIC_SEQ_CST);
    errno = control->error;
    return 1;
}

static void note(int kind, int64_t inode, int64_t offset, const char *path, const void *data,
                 size_t size)
{
    if (log_fd < 0)
        return;
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    struct head head = {now.tv_sec * 1000000000LL + now.tv_nsec, inode, offset, kind, strlen(path), size, 0};
    struct iovec parts[] = {{&head, sizeof head}, {(void *)path, head.path_size}, {(void *)data, size}};
    syscall(SYS_writev, log_fd, parts, 3);
}

static int64_t inode_of(int fd)
{
    struct stat status;
    return fstat(fd, &status) ? 0 : (int64_t)status.st_ino;
}

#define REAL(name) __typeof__(&name) real = (__typeof__(&name))dlsym(RTLD_NEXT, #name)

static ssize_t noted_write(int fd, const void *data, ssize_t done, int64_t offset, const char *path)
{
    if (done > 0)
        note(WRITE, inode_of(fd), offset, path, data, done);
    return done;
}

ssize_t pwrite64(int fd, const void *data, size_t size, off64_t offset)
{
    REAL(pwrite64);
    char path[4096];
    if (!path_of(fd, path))
        return real(fd, data, size, offset);
    wait_while_stalled();
    if (fails(WRITE)) {
        if (errno)
            return -1;
        size /= 2;
    }
    return noted_write(fd, data, real(fd, data, size, offset), offset, path);
}

ssize_t pwrite(int fd, const void *data, size_t size, off_t offset)
{
    return pwrite64(fd, data, size, offset);
}

ssize_t write(int fd, const void *data, size_t size)
{
    REAL(write);
    char path[4096];
    if (!path_of(fd, path))
        return real(fd, data, size);
    wait_while_stalled();
    if (fails(WRITE)) {
        if (errno)
            return -1;
        size /= 2;
    }
    ssize_t done = real(fd, data, size);
    return noted_write(fd, data, done, lseek64(fd, 0, SEEK_CUR) - (done > 0 ? done : 0), path);
}

ssize_t pread64(int fd, void *data, size_t size, off64_t offset)
{
    REAL(pread64);
    char path[4096];
    if (path_of(fd, path) && fails(READ)) {
        if (errno)
            return -1;
        size /= 2;
    }
    return real(fd, data, size, offset);
}

ssize_t pread(int fd, void *data, size_t size, off_t offset)
{
    return pread64(fd, data, size, offset);
}

ssize_t read(int fd, void *data, size_t size)
{
    REAL(read);
    char path[4096];
    if (path_of(fd, path) && fails(READ)) {
        if (errno)
            return -1;
        size /= 2;
    }
    return real(fd, data, size);
}

static int synced(int fd, int (*real)(int))
{
    char path[4096];
    if (!path_of(fd, path))
        return real(fd);
    wait_while_stalled();
    if (fails(SYNC)) {
        int error = errno ? errno : EIO;
        note(FAILED_SYNC, inode_of(fd), 0, path, "", 0);
        errno = error;
        return -1;
    }
    int code = real(fd);
    if (code == 0)
        note(SYNC, inode_of(fd), 0, path, "", 0);
    return code;
}

int fsync(int fd)
{
    REAL(fsync);
    return synced(fd, real);
}

int fdatasync(int fd)
{
    REAL(fdatasync);
    return synced(fd, real);
}

int ftruncate64(int fd, off64_t size)
{
    REAL(ftruncate64);
    char path[4096];
    if (!path_of(fd, path))
        return real(fd, size);
    wait_while_stalled();
    if (fails(TRUNCATE)) {
        errno = errno ? errno : EIO;
        return -1;
    }
    int code = real(fd, size);
    if (code == 0)
        note(TRUNCATE, inode_of(fd), size, path, "", 0);
    return code;
}

int ftruncate(int fd, off_t size)
{
    return ftruncate64(fd, size);
}

static int opened(int fd, int flags, int is_new)
{
    char path[4096];
    if (fd >= 0 && (flags & O_CREAT) && path_of(fd, path)) {
        if (is_new)
            note(CREATE, inode_of(fd), 0, path, "", 0);
        if (flags & O_TRUNC)
            note(TRUNCATE, inode_of(fd), 0, path, "", 0);
    }
    return fd;
}

int open64(const char *path, int flags, ...)
{
    REAL(open64);
    va_list more;
    va_start(more, flags);
    int mode = va_arg(more, int);
    va_end(more);
    int is_new = (flags & O_CREAT) && access(path, F_OK) != 0;
    return opened(real(path, flags, mode), flags, is_new);
}

int open(const char *path, int flags, ...)
{
    va_list more;
    va_start(more, flags);
    int mode = va_arg(more, int);
    va_end(more);
    return open64(path, flags, mode);
}

int rename(const char *old, const char *new)
{
    REAL(rename);
    int code = real(old, new);
    if (code == 0 && below(old) && below(new))
        note(RENAME, 0, 0, old, new, strlen(new));
    return code;
}

int unlink(const char *path)
{
    REAL(unlink);
    int code = real(path);
    if (code == 0 && below(path))
        note(UNLINK, 0, 0, path, "", 0);
    return code;
}
