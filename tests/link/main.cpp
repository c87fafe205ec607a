#define CATCH_CONFIG_MAIN
#include <catch2/catch.hpp>

/// Paho C 1.3.12 forgets the topic and payload of a publication that was handed over but not yet sent when
/// its client is destroyed (MQTTAsync_destroy takes every one for sent). That is at most one window a lost
/// link, and not ours.
extern "C" const char* __lsan_default_suppressions() {
    return "leak:libpaho-mqtt3as";
}

/// The library is not built with the thread sanitizer, so a shared_ptr whose count it lowers to nothing,
/// after we have lowered it, seems to be freed without an order between the two. The count is atomic: there
/// is one.
extern "C" const char* __tsan_default_suppressions() {
    return "race:mqtt::delivery_token::~delivery_token\n"
           "race:mqtt::async_client::remove_token\n";
}
