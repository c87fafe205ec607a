// GET and POST /v1/clock: reports what is known of the time, and takes a person's word that the server's
// clock is right.
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
            "The time is not known. The server's clock shows {}. If that is right, confirm it with "
            "`tickledger clock --right`; otherwise set the clock first. Messages are kept, and booked once "
            "the time is known.",
            in_words(clock.server, zone));
    }
    if (clock.disbelieved_ahead > Duration{0}) {
        return fmt::format(
            "The server's clock has jumped ahead by {} to {}, and no time service confirms it. The jump is "
            "ignored, and time continues from before it. If the clock is right, confirm it with `tickledger "
            "clock --right`; otherwise set it.",
            in_words(clock.disbelieved_ahead), in_words(clock.server, zone));
    }
    if (clock.stamps_at) {
        return fmt::format(
            "The server's clock is believed. It was ahead earlier, so stamps continue from {} and advance a "
            "sixteenth slower until the clock has caught up. `tickledgerd redate` gives the messages that "
            "were stamped ahead their true dates.",
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
        return problem(400, "Send {\"right\":true} if the server's clock is right now.");
    if (const auto done = call.parts.clock_is_right(); !done) return problem(409, done.error().text);
    return answer(call.parts);
}

}  // namespace tickledger
