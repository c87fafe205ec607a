// The connections of the server: each reads requests, sends responses, and is closed in time.
#pragma once

#include <array>
#include <boost/asio/generic/stream_protocol.hpp>
#include <cstddef>
#include <cstdint>
#include <functional>
#include <map>
#include <memory>
#include <set>
#include <string>

#include "serve/http_server.hpp"

namespace tickledger {

class Session;

/// What the connections share. Used on the server's thread only.
struct Sessions {
    HttpLimits limits;
    Handler handler;
    std::function<void(const std::string&)> on_trouble;
    std::string token;
    std::vector<TenantToken> tenants;
    /// The kind of a connection. Each kind has a limit of its own, so that none can crowd out another.
    enum class Place : std::uint8_t {
        local,        ///< It came over the socket that has a file, whose mode says who may use it.
        stranger,     ///< Over TCP; has not shown yet that it may ask.
        known,        ///< Over TCP; the header of a request has shown it.
        turned_away,  ///< Is only answered 503.
    };
    std::array<std::size_t, 4> counts{};
    [[nodiscard]] std::size_t& taken(Place place) { return counts.at(static_cast<std::size_t>(place)); }
    [[nodiscard]] bool has_room(Place place);
    /// Those that wait for news, in no order.
    std::set<Session*> waiting;
    /// Calls its argument, on any thread, once what has been accepted is booked; may be empty.
    WhenBooked when_booked;
    /// Those whose question waits for that, by numbers that are never used again. They live here, and not in
    /// what the booking holds, so that they end before their io_context does.
    std::map<std::uint64_t, std::shared_ptr<Session>> for_booking;
    std::uint64_t next_for_booking = 0;
    /// Runs a function on the server's thread; after the server's end it does nothing. Any thread.
    std::function<void(std::function<void()>)> post;

    void tell(const std::string& trouble) const {
        if (on_trouble) on_trouble(trouble);
    }
    /// There may be events for waiting streams.
    void look_for_news();
    /// The question of this number can be answered.
    void booked_for(std::uint64_t number);
};

/// Serves a new connection until it ends by itself, is let go, or the io_context stops. Where there are as
/// many as may be, it is told so, or closed without a word. `is_local`: it came over the socket that has a
/// file, whose mode says who may use it.
void welcome(boost::asio::generic::stream_protocol::socket connection,
             const std::shared_ptr<Sessions>& sessions, bool is_local);

}  // namespace tickledger
