// The server's connections. Each reads requests, sends responses, and is closed in time.
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

/// The state that connections share. Used on the server's thread only, unless a member says otherwise.
struct Sessions {
    HttpLimits limits;
    Handler handler;
    std::function<void(const std::string&)> on_trouble;
    std::string token;
    std::vector<TenantToken> tenants;
    /// The kind of a connection. Each kind has its own limit, so that none can crowd out another.
    enum class Place : std::uint8_t {
        local,        ///< Came over the local socket; its file mode decides who may.
        stranger,     ///< Over TCP, not authorised yet.
        known,        ///< Over TCP, authorised by the header of a request.
        turned_away,  ///< Only gets a 503.
    };
    std::array<std::size_t, 4> counts{};
    [[nodiscard]] std::size_t& taken(Place place) { return counts.at(static_cast<std::size_t>(place)); }
    [[nodiscard]] bool has_room(Place place);
    /// Sessions that wait for news, in no order.
    std::set<Session*> waiting;
    /// Calls its argument, on any thread, once everything accepted is booked; may be empty.
    WhenBooked when_booked;
    /// Sessions whose request waits for booking, by numbers that are never reused. They are owned here, not
    /// by the callback given to the booking thread, so that they end before their io_context does.
    std::map<std::uint64_t, std::shared_ptr<Session>> for_booking;
    std::uint64_t next_for_booking = 0;
    /// Runs a function on the server's thread; does nothing after the server has ended. Any thread.
    std::function<void(std::function<void()>)> post;

    void tell(const std::string& trouble) const {
        if (on_trouble) on_trouble(trouble);
    }
    /// Asks waiting streams for news.
    void look_for_news();
    /// Answers the request with this number; its booking is done.
    void booked_for(std::uint64_t number);
};

/// Serves a new connection until it ends, is cut, or the io_context stops. If its kind is at its limit, it is
/// answered 503, or closed without an answer. `is_local`: it came over the local socket, whose file mode
/// decides who may use it.
void welcome(boost::asio::generic::stream_protocol::socket connection,
             const std::shared_ptr<Sessions>& sessions, bool is_local);

}  // namespace tickledger
