// GET and POST /v1/clock: what is known of the time, and a person's word that the server's clock is right.
#include <fmt/format.h>

#include <array>

#include "core/json_writer.hpp"
#include "serve/body.hpp"
#include "tickledger/words.hpp"

namespace tickledger {

namespace {

std::int64_t whole_seconds(Duration length) {
    return std::chrono::floor<std::chrono::seconds>(length).count();
}

std::string words_for(const ClockState& clock, const CivilZone& zone) {
    if (!clock.known) {
        return fmt::format(
            "It is not known what time it is. The server's clock says {}. If that is right, say so "
            "(`tickledger clock --right`); else set it first. What arrives is kept meanwhile and booked then.",
            in_words(clock.server, zone));
    }
    if (clock.disbelieved_ahead > Duration{0}) {
        return fmt::format(
            "The server's clock has jumped ahead by {} to {}, and no time service vouches for it. Time goes "
            "on from before the jump. If the clock is right, say so (`tickledger clock --right`); else set it.",
            in_words(clock.disbelieved_ahead), in_words(clock.server, zone));
    }
    if (clock.stamps_at) {
        return fmt::format(
            "The server's clock is believed. It was ahead before: arrivals are stamped from {} on, a sixteenth "
            "slower, until the clock has caught up. `tickledgerd redate` gives them their true dates.",
            in_words(*clock.stamps_at, zone));
    }
    return "The server's clock is believed.";
}

Response answer(const ApiParts& parts) {
    const ClockState clock = parts.clock();
    JsonObject document;
    document.text("server_time", parts.zone.format(clock.server));
    document.optional_text("time",
                           clock.known ? std::optional(parts.zone.format(*clock.known)) : std::nullopt);
    document.raw("clock_ahead_s", std::to_string(whole_seconds(clock.disbelieved_ahead)));
    document.raw(
        "stamps_ahead_s",
        std::to_string(clock.stamps_at && clock.known ? whole_seconds(*clock.stamps_at - *clock.known) : 0));
    document.text("text", words_for(clock, parts.zone));
    Response response;
    response.body = std::move(document).finish() + "\n";
    return response;
}

}  // namespace

Response get_clock(const Call& call) {
    return answer(call.parts);
}

Response post_clock(const Call& call) {
    std::array fields{JsonField{"right", "/right", {}}};
    if (const auto read = read_body(call.request, fields); !read) return read.error();
    const auto flag = flag_in(fields[0]);
    if (!flag) return flag.error();
    if (!flag->value_or(false))
        return problem(400, "Say {\"right\":true} where the server's clock is right now.");
    if (const auto done = call.parts.clock_is_right(); !done) return problem(409, done.error().text);
    return answer(call.parts);
}

}  // namespace tickledger
