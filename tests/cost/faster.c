/* Time goes faster for one program: cc -shared -fPIC -o faster.so faster.c; FASTER=96 LD_PRELOAD=faster.so PROGRAM
 *
 * What the usual library for this leaves alone is what a Rust program waits by: futex and epoll. Of what such a
 * program asks the system, the clocks are told faster and the waits made as much shorter; nothing else is. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <linux/futex.h>
#include <poll.h>
#include <stdarg.h>
#include <stdlib.h>
#include <sys/epoll.h>
#include <sys/syscall.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

typedef long long ns;
enum { WALL, LINE };

static double speed = 1;
static ns began[2];
static int (*real_gettime)(clockid_t, struct timespec *);
static long (*real_syscall)(long, ...);

static ns of(const struct timespec *t) { return t->tv_sec * 1000000000LL + t->tv_nsec; }
static struct timespec to(ns n) {
    if (n < 0) n = 0;
    return (struct timespec){n / 1000000000LL, n % 1000000000LL};
}
static ns faster(ns real, int clock) { return began[clock] + (ns)((double)(real - began[clock]) * speed); }
/* The real instant at which the program's clock says this. */
static ns when(ns told, int clock) { return began[clock] + (ns)((double)(told - began[clock]) / speed); }
static struct timespec shorter(const struct timespec *t) { return to((ns)((double)of(t) / speed)); }

__attribute__((constructor)) static void begin(void) {
    real_gettime = dlsym(RTLD_NEXT, "clock_gettime");
    real_syscall = dlsym(RTLD_NEXT, "syscall");
    const char *said = getenv("FASTER");
    if (said && atof(said) > 0) speed = atof(said);
    struct timespec t;
    real_gettime(CLOCK_REALTIME, &t);
    began[WALL] = of(&t);
    real_gettime(CLOCK_MONOTONIC, &t);
    began[LINE] = of(&t);
}

int clock_gettime(clockid_t id, struct timespec *t) {
    int failed = real_gettime(id, t);
    if (failed) return failed;
    switch (id) {
    case CLOCK_REALTIME:
    case CLOCK_REALTIME_COARSE: *t = to(faster(of(t), WALL)); break;
    case CLOCK_MONOTONIC:
    case CLOCK_MONOTONIC_COARSE:
    case CLOCK_BOOTTIME: *t = to(faster(of(t), LINE)); break;
    }
    return 0;
}

int gettimeofday(struct timeval *restrict v, void *restrict zone) {
    (void)zone;
    struct timespec t;
    clock_gettime(CLOCK_REALTIME, &t);
    v->tv_sec = t.tv_sec;
    v->tv_usec = t.tv_nsec / 1000;
    return 0;
}

time_t time(time_t *out) {
    struct timespec t;
    clock_gettime(CLOCK_REALTIME, &t);
    if (out) *out = t.tv_sec;
    return t.tv_sec;
}

int nanosleep(const struct timespec *t, struct timespec *left) {
    struct timespec s = shorter(t);
    return (int)real_syscall(SYS_nanosleep, &s, left);
}

int clock_nanosleep(clockid_t id, int flags, const struct timespec *t, struct timespec *left) {
    int clock = id == CLOCK_REALTIME ? WALL : LINE;
    struct timespec s = flags & TIMER_ABSTIME ? to(when(of(t), clock)) : shorter(t);
    return real_syscall(SYS_clock_nanosleep, id, flags, &s, left) ? errno : 0;
}

int epoll_wait(int fd, struct epoll_event *events, int most, int ms) {
    struct timespec t = to(ms * 1000000LL), s = shorter(&t);
    return (int)real_syscall(SYS_epoll_pwait2, fd, events, most, ms < 0 ? NULL : &s, NULL, 0);
}

int poll(struct pollfd *fds, nfds_t many, int ms) {
    struct timespec t = to(ms * 1000000LL), s = shorter(&t);
    return (int)real_syscall(SYS_ppoll, fds, many, ms < 0 ? NULL : &s, NULL, 0);
}

long syscall(long number, ...) {
    long a[6];
    va_list all;
    va_start(all, number);
    for (int i = 0; i < 6; i++) a[i] = va_arg(all, long);
    va_end(all);
    struct timespec s;
    if (number == SYS_futex && a[3]) {
        const struct timespec *t = (const struct timespec *)a[3];
        int what = (int)a[1] & FUTEX_CMD_MASK;
        if (what == FUTEX_WAIT_BITSET) {
            s = to(when(of(t), (int)a[1] & FUTEX_CLOCK_REALTIME ? WALL : LINE));
            a[3] = (long)&s;
        } else if (what == FUTEX_WAIT) {
            s = shorter(t);
            a[3] = (long)&s;
        }
    }
    return real_syscall(number, a[0], a[1], a[2], a[3], a[4], a[5]);
}
