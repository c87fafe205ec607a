#include "book/account.hpp"

#include <array>
#include <charconv>
#include <nlohmann/json.hpp>

#include "core/json_writer.hpp"

namespace tickledger {

namespace {

using Json = nlohmann::json;

// One list of names for both directions: a writer and a reader walk over the same fields.

/// Writes the text as it goes, without a document in between: a batch writes the memory of each of its
/// meters.
class Writer {
public:
    explicit Writer(std::string& text) : text_(text) { text_ += '{'; }

    template <typename T>
    void operator()(const char* name, const T& value) {
        if (is_absent(value)) return;
        if (text_.back() != '{') text_ += ',';
        text_ += '"';
        text_ += name;
        text_ += "\":";
        encode(value);
    }
    void finish() { text_ += '}'; }

private:
    template <typename T>
    static bool is_absent(const std::optional<T>& value) {
        return !value;
    }
    template <typename T>
    static bool is_absent(const std::vector<T>& values) {
        return values.empty();
    }
    // What a reader finds there anyway takes no room. Every field begins as zero, but for a pulse value's
    // numbers, which never are zero.
    template <typename T>
    static bool is_absent(const T& value) {
        if constexpr (std::is_arithmetic_v<T> || std::is_same_v<T, Instant> || std::is_same_v<T, Duration>)
            return value == T{};
        return false;
    }

    template <typename T>
    requires std::is_arithmetic_v<T>
    void encode(T value) {
        std::array<char, 32> digits{};
        const auto written = std::to_chars(digits.data(), digits.data() + digits.size(), value);
        text_.append(digits.data(), written.ptr);
    }
    void encode(bool value) { text_ += value ? "true" : "false"; }
    void encode(const std::string& value) { text_ += json_string(value); }
    void encode(Instant value) { encode(microseconds_of(value)); }
    void encode(Duration value) { encode(value.count()); }
    void encode(const Span& value) { list(value.from, value.to); }
    template <typename T>
    void encode(const std::optional<T>& value) {
        encode(*value);
    }
    // Eleven of them in each meter's memory: without names they take a third of the room.
    void encode(const SlowLeak::Rung& rung) { list(rung.sum, rung.phase_known, rung.since, rung.lone_ticks); }
    template <typename T, std::size_t size>
    void encode(const std::array<T, size>& values) {
        // In most meters most are alike: one that repeats the one before it is an empty list.
        text_ += '[';
        for (std::size_t i = 0; i < size; ++i) {
            if (i > 0) text_ += ',';
            if (i > 0 && values.at(i) == values.at(i - 1)) {
                text_ += "[]";
            } else {
                encode(values.at(i));
            }
        }
        text_ += ']';
    }
    template <typename T>
    void encode(const std::vector<T>& values) {
        text_ += '[';
        for (const auto& value : values) {
            if (text_.back() != '[') text_ += ',';
            encode(value);
        }
        text_ += ']';
    }
    template <typename T>
    requires std::is_class_v<T>
    void encode(const T& value);

    template <typename First, typename... Others>
    void list(const First& first, const Others&... others) {
        text_ += '[';
        encode(first);
        ((text_ += ',', encode(others)), ...);
        text_ += ']';
    }
    std::string& text_;
};

class Reader {
public:
    explicit Reader(const Json& json) : json_(json) {}
    template <typename T>
    void operator()(const char* name, T& value) {
        if (const auto found = json_.find(name); found != json_.end()) decode(*found, value);
    }

private:
    static void decode(const Json& json, std::uint64_t& value) { value = json.get<std::uint64_t>(); }
    static void decode(const Json& json, std::int64_t& value) { value = json.get<std::int64_t>(); }
    static void decode(const Json& json, bool& value) { value = json.get<bool>(); }
    static void decode(const Json& json, double& value) { value = json.get<double>(); }
    static void decode(const Json& json, std::string& value) { value = json.get<std::string>(); }
    static void decode(const Json& json, Instant& value) { value = instant_of(json.get<std::int64_t>()); }
    static void decode(const Json& json, Duration& value) { value = Duration{json.get<std::int64_t>()}; }
    static void decode(const Json& json, Span& value) {
        decode(json.at(0), value.from);
        decode(json.at(1), value.to);
    }
    template <typename T>
    static void decode(const Json& json, std::optional<T>& value) {
        decode(json, value.emplace());
    }
    static void decode(const Json& json, SlowLeak::Rung& rung) {
        decode(json.at(0), rung.sum), decode(json.at(1), rung.phase_known);
        decode(json.at(2), rung.since), decode(json.at(3), rung.lone_ticks);
    }
    template <typename T, std::size_t size>
    static void decode(const Json& json, std::array<T, size>& values) {
        for (std::size_t i = 0; i < size; ++i) {
            if (i > 0 && json.at(i).empty()) {
                values.at(i) = values.at(i - 1);
            } else {
                decode(json.at(i), values.at(i));
            }
        }
    }
    template <typename T>
    static void decode(const Json& json, std::vector<T>& values) {
        for (const Json& item : json)
            decode(item, values.emplace_back());
    }
    template <typename T>
    requires std::is_class_v<T>
    static void decode(const Json& json, T& value);

    const Json& json_;
};

template <typename Archive>
void fields(Archive& archive, Stillness& night) {
    night.fields(archive);
}

template <typename Archive>
void fields(Archive& archive, SlowLeak& slow_leak) {
    slow_leak.fields(archive);
}

template <typename Archive>
void fields(Archive& archive, HighFlow& high_flow) {
    high_flow.fields(archive);
}

template <typename Archive>
void fields(Archive& archive, LongDraw& long_draw) {
    long_draw.fields(archive);
}

template <typename Archive>
void fields(Archive& archive, Observation& observation) {
    archive("at", observation.at), archive("count", observation.count), archive("boot", observation.boot);
    archive("seq", observation.seq), archive("saved", observation.saved),
        archive("uptime", observation.uptime);
    archive("placed", observation.time_estimated), archive("arrived_at", observation.arrived_at);
    archive("no_earlier", observation.no_earlier), archive("hurry_from", observation.hurry_from);
    archive("node_time", observation.node_time);
}

template <typename Archive>
void fields(Archive& archive, Held& held) {
    archive("sight", held.observation), archive("restart_from", held.restart_from);
    archive("reverse", held.is_reverse);
}

template <typename Archive>
void fields(Archive& archive, MessageNumber& number) {
    archive("boot", number.boot), archive("seq", number.seq);
}

template <typename Archive>
void fields(Archive& archive, RanBack& ran_back) {
    archive("span", ran_back.span), archive("ticks", ran_back.ticks);
}

template <typename Archive>
void fields(Archive& archive, RecentPack& pack) {
    archive("fingerprint", pack.fingerprint), archive("at", pack.arrived_at);
}

template <typename Archive>
void fields(Archive& archive, AppliedPulseValue& value) {
    archive("from", value.from), archive("n", value.numerator), archive("d", value.denominator);
}

template <typename Archive>
void fields(Archive& archive, RegisterMemory& memory) {
    archive("first_at", memory.first_at), archive("start_ul", memory.start_ul);
    archive("read_by_eye_at", memory.read_by_eye_at), archive("pulse_values", memory.pulse_values);
}

template <typename Archive>
void fields(Archive& archive, HeldMessage& message) {
    archive("at", message.arrived_at), archive("topic", message.topic), archive("payload", message.payload);
}

template <typename Archive>
void fields(Archive& archive, Reading& reading) {
    archive("count", reading.count), archive("time", reading.time), archive("boot", reading.boot);
    archive("seq", reading.seq), archive("saved", reading.saved), archive("uptime", reading.uptime);
}

template <typename Archive>
void fields(Archive& archive, KeptReading& kept) {
    archive("reading", kept.reading), archive("message", kept.message);
}

template <typename Archive>
void fields(Archive& archive, NodeBacklog& backlog) {
    archive("readings", backlog.readings), archive("burst", backlog.is_burst);
    archive("follows_burst", backlog.follows_burst);
}

template <typename Archive>
void fields(Archive& archive, ToldAway& away) {
    archive("from", away.from), archive("to", away.to), archive("configured", away.configured);
}

template <typename Archive>
void fields(Archive& archive, AccountMemory& memory) {
    archive("last", memory.counter.last), archive("held", memory.counter.held);
    archive("total_ticks", memory.total_ticks), archive("closed_until", memory.closed_until);
    archive("register", memory.meter_register);
    archive("heard_at", memory.heard_at), archive("heard_since", memory.heard_since);
    archive("away", memory.away), archive("last_span", memory.last_span);
    archive("last_span_ticks", memory.last_span_ticks), archive("still_since", memory.still_since);
    archive("night", memory.night), archive("clock_night", memory.clock_night);
    archive("ran_back", memory.ran_back), archive("undrawn_since", memory.undrawn_since);
    archive("last_drawn", memory.last_drawn), archive("slow_leak", memory.slow_leak);
    archive("high_flow", memory.high_flow), archive("long_draw", memory.long_draw);
    archive("faults", memory.faults);
    archive("slow_leak_period", memory.slow_leak_period), archive("recent_packs", memory.recent_packs);
    archive("set_aside", memory.set_aside);
    archive("clock_disbelieved", memory.clock_disbelieved), archive("held_message", memory.held_message);
    archive("backlog", memory.backlog);
}

template <typename T>
requires std::is_class_v<T>
void Writer::encode(const T& value) {
    Writer inner(text_);
    // The one list of fields takes what it may change; a writer changes nothing.
    fields(inner, const_cast<T&>(value));
    inner.finish();
}

template <typename T>
requires std::is_class_v<T>
void Reader::decode(const Json& json, T& value) {
    Reader inner(json);
    fields(inner, value);
}

}  // namespace

std::optional<Span> absence(const std::optional<ToldAway>& told, const AlarmSettings& settings) {
    constexpr Span always{Instant::min(), Instant::max()};
    if (!told || told->configured != settings.away)
        return settings.away ? std::optional(always) : std::nullopt;
    if (!told->from) return std::nullopt;
    return Span{*told->from, told->to.value_or(always.to)};
}

std::string to_json(const AccountMemory& memory) {
    std::string text;
    text.reserve(1536);
    Writer writer(text);
    fields(writer, const_cast<AccountMemory&>(memory));
    writer.finish();
    return text;
}

Result<AccountMemory> memory_from_json(const std::string& text) {
    const Json json = Json::parse(text, nullptr, false);
    if (!json.is_object()) return fail("the ledger's memory of a meter is damaged: it is not a JSON object");
    try {
        AccountMemory memory;
        Reader reader(json);
        fields(reader, memory);
        return memory;
    } catch (const Json::exception& error) {
        return fail(std::string("the ledger's memory of a meter is damaged: ") + error.what());
    }
}

}  // namespace tickledger
