// A process that holds a link and then dies without disconnecting, or hangs in the middle of a message.
//
//   tests_link_child URL FILTER FILE [hang]
//
// Appends to FILE: "up" when the link is subscribed, and "message PAYLOAD" for each message before it is
// acknowledged. With `hang` it never returns from the first message.
#include <unistd.h>

#include <chrono>
#include <fstream>
#include <iostream>
#include <string>
#include <thread>

#include "link/broker.hpp"

int main(int count, char** arguments) {
    if (count < 4) return 2;
    const std::string file = arguments[3];
    const bool hangs = count > 4;
    const auto write = [&file](const std::string& line) {
        std::ofstream(file, std::ios::app) << line << std::endl;
    };

    tickledger::BrokerSettings settings;
    settings.url = arguments[1];
    tickledger::BrokerLink::Callbacks callbacks;
    callbacks.on_message = [&](tickledger::Message&& message) {
        write("message " + message.payload);
        while (hangs)
            ::pause();
        return true;
    };
    callbacks.on_link = [](tickledger::LinkChange) { return true; };
    auto link = tickledger::BrokerLink::start(settings, {arguments[2]}, callbacks);
    if (!link) {
        std::cerr << link.error().text << '\n';
        return 1;
    }
    while (!(*link)->state().subscribed)
        std::this_thread::sleep_for(std::chrono::milliseconds{5});
    write("up");
    while (true)
        ::pause();
}
