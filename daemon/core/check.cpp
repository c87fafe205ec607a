#include "tickledger/check.hpp"

#include <cstdio>
#include <cstdlib>

namespace tickledger {

void expectation_failed(const char* expected, const char* file, int line) {
    std::fprintf(stderr,
                 "%s:%d: expected that %s. This is a mistake in the program, which stops before it writes "
                 "anything wrong. Please report it with the lines above.\n",
                 file, line, expected);
    std::abort();
}

}  // namespace tickledger
