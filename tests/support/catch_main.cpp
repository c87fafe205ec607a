// The test programs of all rooms share this: Catch compiles its runner for half a minute.
#define CATCH_CONFIG_MAIN
#include <catch2/catch.hpp>
