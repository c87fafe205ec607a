// Loaded before the C library (LD_PRELOAD), it moves the civil clock of a program by a number of seconds. The
// number is text in the file that TICKLEDGER_TEST_CLOCK names. Clocks that count since boot are unchanged.
#include <dlfcn.h>
#include <fcntl.h>
#include <time.h>
#include <unistd.h>

#include <cstdlib>

namespace {

long offset_s() {
    static const char* const file = std::getenv("TICKLEDGER_TEST_CLOCK");
    if (!file) return 0;
    const int descriptor = ::open(file, O_RDONLY | O_CLOEXEC);
    if (descriptor < 0) return 0;
    char text[32] = {};
    const auto size = ::read(descriptor, text, sizeof text - 1);
    ::close(descriptor);
    return size > 0 ? std::strtol(text, nullptr, 10) : 0;
}

}  // namespace

extern "C" int clock_gettime(clockid_t clock, timespec* time) noexcept {
    using Real = int (*)(clockid_t, timespec*);
    static const auto real = reinterpret_cast<Real>(::dlsym(RTLD_NEXT, "clock_gettime"));
    const int result = real(clock, time);
    if (result == 0 && clock == CLOCK_REALTIME) time->tv_sec += offset_s();
    return result;
}
