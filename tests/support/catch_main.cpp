// All test programs share this, because Catch's runner takes half a minute to compile.
#define CATCH_CONFIG_MAIN
#include <catch2/catch.hpp>
