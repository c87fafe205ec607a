// Compares what is read of some texts, whole and damaged in every way in one place, with stored results.
// After a change of the reading, this test shows the changed lines. If the change is intended, write and
// commit the new results:
//
//   TICKLEDGER_WRITE_TOLD=1 build/release/tests/core/tests_core 'what is read*'
//
// The other tests check that the reading is right. This one only notices changes. A text's line contains what
// is read of the whole text, the number of damaged texts, how many of them are read, and a fingerprint of all
// their results.
#include <fmt/format.h>

#include <functional>
#include <nlohmann/json.hpp>

#include "core/base64.hpp"
#include "core/decimal.hpp"
#include "core/harmless.hpp"
#include "core/percent.hpp"
#include "core/spelling.hpp"
#include "senml_fixture.hpp"
#include "support/told_before.hpp"
#include "tickledger/civil.hpp"
#include "tickledger/message.hpp"
#include "tickledger/time.hpp"
#include "tickledger/units.hpp"

using namespace tickledger;
using tickledger::test::bytes;
using tickledger::test::senml_now;

namespace {

/// What is read of a text, or "! " and why it is refused.
using Says = std::function<std::string(const std::string&)>;

/// A text longer than an error quotes.
std::string many(char c) {
    return std::string(70, c);
}

std::string refused(std::string_view why) {
    return "! " + std::string(why);
}

template <typename T, typename Shown>
std::string outcome(const Result<T>& result, Shown shown) {
    return result ? shown(*result) : refused(result.error().text);
}

/// Every text with one mistake: a character left out, changed or inserted, or the end cut off.
void each_damaged(const std::string& text, std::string_view characters,
                  const std::function<void(const std::string&)>& visit) {
    for (std::size_t at = 0; at <= text.size(); ++at) {
        const std::string before = text.substr(0, at), rest = text.substr(at);
        for (const char c : characters) {
            visit(before + c + rest);
            if (!rest.empty()) visit(before + c + rest.substr(1));
        }
        if (rest.empty()) continue;
        visit(before + rest.substr(1));
        visit(before);
    }
}

/// The same for bytes: each bit flipped, each byte set to a bound, left out or doubled, or the end cut off.
void each_damaged_byte(const std::string& text, const std::function<void(const std::string&)>& visit) {
    for (std::size_t at = 0; at < text.size(); ++at) {
        const std::string before = text.substr(0, at), rest = text.substr(at + 1);
        for (int bit = 0; bit < 8; ++bit)
            visit(before + static_cast<char>(text[at] ^ (1 << bit)) + rest);
        for (const char bound : {'\x00', '\x17', '\x18', '\x1b', '\x7f', '\xff'})
            visit(before + bound + rest);
        visit(before + rest);
        visit(before + text[at] + text[at] + rest);
        visit(before);
    }
}

class Teller {
public:
    explicit Teller(std::ostream& out) : out_(out) {}

    void texts(std::string_view what, std::string_view characters, const std::vector<std::string>& all,
               const Says& says) {
        for (const std::string& text : all)
            tell(what, text, text, says, [&](const auto& visit) { each_damaged(text, characters, visit); });
    }
    void packs(std::string_view what, const std::vector<std::string>& all, const Says& says) {
        for (const std::string& hex : all)
            tell(what, hex, bytes(hex), says,
                 [&](const auto& visit) { each_damaged_byte(bytes(hex), visit); });
    }

private:
    template <typename EachDamaged>
    void tell(std::string_view what, const std::string& shown, const std::string& text, const Says& says,
              EachDamaged each) {
        std::size_t count = 0, read = 0;
        std::string all;
        each([&](const std::string& damaged) {
            const std::string said = says(damaged);
            ++count;
            if (!said.starts_with('!')) ++read;
            all += said + '\n';
        });
        out_ << fmt::format("{} {}: {}; damaged {}, read {}, {:016x}\n", what, harmless_text(shown),
                            harmless_text(says(text)), count, read, fingerprint(all));
    }

    std::ostream& out_;
};

std::string shown(const std::vector<Reading>& readings) {
    std::string text;
    const auto number = [](const auto& value) {
        return value ? fmt::format(" {}", *value) : std::string(" -");
    };
    for (const Reading& reading : readings) {
        text += fmt::format("{} {}", reading.count, reading.time ? format_utc(*reading.time) : "-");
        text += number(reading.boot) + number(reading.seq) + number(reading.saved);
        text += reading.uptime ? fmt::format(" {} us, ", reading.uptime->count()) : " -, ";
    }
    return text;
}

Says decoded(const MeterSettings& settings) {
    return [settings](const std::string& payload) {
        return outcome(decode(payload, settings, senml_now), shown);
    };
}

MeterSettings meter_of(MessageForm form, Ratio pulse_value_l = {1, 1}) {
    MeterSettings settings;
    settings.message = form;
    settings.pulse_value_l = pulse_value_l;
    return settings;
}

void tell_times(Teller& tell) {
    tell.texts(
        "time", "0159:+-.TZt ",
        {"2026-03-01T07:00:00.25Z", "2024-02-29 23:59:60+01:00", "1900-02-28T00:00:00-0130",
         "9999-12-31T23:59:59.9999999Z", "0001-01-01T00:00:00+23:59", "2000-02-29t12:30:00z",
         "2024-02-29T23:58:60." + many('0') + "Z", "0000-01-01T00:00:00." + many('0') + "+23:59", many('2')},
        [](const std::string& text) { return outcome(parse_rfc3339(text), format_utc); });
    const auto length = [](Duration d) { return fmt::format("{} us, {}", d.count(), format_duration(d)); };
    tell.texts(
        "duration", "0129smhdu n.-+",
        {"90s", "15min", "0", "400d", "36h", "1500ms", "9223372036854775807us", "9223372036854775808us",
         "106751991d", "106751992d", "2562047788h", many('9') + "d", many('d')},
        [&](const std::string& text) { return outcome(parse_duration(text), length); });
    tell.texts("ISO duration", "019PTWDHMSY-.",
               {"P1DT6H30M", "P1W", "PT0S", "PT9223372036854S", "P106751991DT4H", "P2D", "PT36H",
                "P" + many('9') + "D"},
               [&](const std::string& text) { return outcome(parse_iso_duration(text), length); });
    const CivilZone zone = CivilZone::find("Europe/Berlin").value();
    tell.texts("point", "01239-:TZ ", {"2026-03-29", "2026-10-25T02:30:00+01:00", "2024-02-29", many('2')},
               [&](const std::string& text) {
                   return outcome(zone.parse(text), [&](Instant t) { return zone.format(t); });
               });
}

void tell_numbers(Teller& tell) {
    const auto ratio = [](Ratio r) { return fmt::format("{}/{}", r.numerator, r.denominator); };
    const std::string_view characters = "0159./ +-eLm3";
    tell.texts(
        "volume", characters,
        {"1/3 L", "0.1 gal_us", "12.5 m3", "7 ft3", "0.001 gal_imp", "9223372036854775807 L",
         "9223372036854775.807 m3", "0.000000000000000001 L", "0 L", "1 " + many('L'), many('7') + " L"},
        [&](const std::string& text) { return outcome(parse_volume_l(text), ratio); });
    tell.texts("pulse value", characters,
               {"10 L", "0 L", "1/1000 m3", "0 " + many('L'), "0." + std::string(17, '0') + " L"},
               [&](const std::string& text) { return outcome(parse_pulse_value_l(text), ratio); });
    tell.texts("flow", "019./ hmin",
               {"2.5 m3/h", "30 L/min", "100 gal_us/h", "1/7 ft3/min", "1 " + many('h')},
               [&](const std::string& text) { return outcome(parse_flow_l_per_h(text), ratio); });
    tell.texts("number", "0159-+.eE",
               {"0",
                "-0.0",
                "7.50e-1",
                "18446744073709551615",
                "18446744073709551616",
                "9223372036854775808",
                "12345678901234567890123456789",
                "0.000000000000000000000001",
                "1e-30",
                "12345.678900e3",
                "1700000000.1234565",
                "-0.0000005",
                "253402300800",
                "253402300799.9999994",
                "-62135596801",
                "1e18",
                "5e-7",
                "4999999e-13",
                "10e999999999999",
                "0e99999999999",
                "1e-99999999999"},
               [](const std::string& text) {
                   if (!nlohmann::json::accept(text)) return refused("no number");
                   const Decimal n = decimal_of(std::string_view(text));
                   const auto whole = whole_number(n);
                   return fmt::format("{} {} e{} {}, whole {} {}, negative {}, {} us, {}", n.negative,
                                      n.digits, n.exponent, n.cut, is_whole(n),
                                      whole ? fmt::format("{}", *whole) : "-", is_negative(n),
                                      seconds_of(n).count(), canonical_text(n));
               });
}

void tell_codes(Teller& tell) {
    tell.texts("percent", "%0Ffg+/~",
               {"a%20b%2Fc", "100%25", "%7E%ff", "/v1/meters/house?from=2026-03-01T00:00", many('%')},
               [](const std::string& text) {
                   return outcome(percent_decode(text), [](const std::string& plain) {
                       return plain + " " + percent_encode(plain);
                   });
               });
    tell.texts("base64", "A/+=z09-\n", {"aGVsbG8=", "AA==", "Zm9vYmFy", "////", "+/8="},
               [](const std::string& text) {
                   const auto plain = from_base64(text);
                   return plain ? *plain + " " + to_base64(*plain) : refused("no base64");
               });
    tell.packs("harmless",
               {"61 1b 5b 33 31 6d 0a 7f 7e 20", "c2 85 c3 a9 c2 9f c2 a0",
                "e2 80 ae e2 80 a8 e2 80 a9 e2 80 aa", "e2 81 a6 e2 81 a9 e2 80 8e d8 9c",
                "f0 9f 92 a7 ed 9f bf ef bf bf", "f4 8f bf bf f0 90 80 80", "e0 a0 80 ee 80 80 c3"},
               harmless_text);
    tell.texts("word", "aeinorst_", {"cadence", "interval", "silent_after", "id", "q3", "topic"},
               [](const std::string& text) {
                   const std::vector<std::string_view> words{
                       "cadence", "interval", "silent_after", "id",       "still_for",    "topic",
                       "q3",      "message",  "night_from",   "night_to", "counter_bits", "seq_bits"};
                   const auto near = nearest(text, words);
                   std::string far;
                   for (const std::string_view word : words)
                       far += fmt::format(" {}", edit_distance(text, word));
                   return near ? std::string(*near) + far : refused(far);
               });
    for (const std::string topic : {"nodes/cellar/water", "$SYS/broker", "nodes//x", "nodes"}) {
        tell.texts(
            "filter of " + topic, "/+#$n",
            {"nodes/+/water", "nodes/#", "#", "+/+/+", "nodes/cellar/water", "$SYS/#", "+", "nodes/+/#"},
            [topic](const std::string& filter) {
                if (!topic_matches(filter, topic)) return refused("no match");
                return "match " + first_wildcard(filter, topic).value_or("-");
            });
    }
}

void tell_json(Teller& tell) {
    const std::string_view characters = "019-.e\",:{}[]\\u \x1f\xc3";
    tell.texts(
        "counter", characters,
        {R"({"count":1234,"boot":"a1","seq":77,"time":"2026-03-01T07:00:00Z","saved":1200,"uptime":86400})",
         R"({"count":4294967295,"boot":7.0,"seq":4294967295,"time":1772348400.5,"uptime":1.5})",
         R"({"count":1e3,"boot":null,"time":null,"x":{"y":[true,false,"\u00e9\n"]}})",
         "{\"count\":\"" + many('x') + "\"}", "{\"count\":1 " + many('x') + "}",
         "{\"count\":-" + many('9') + "}", "{\"count\":1,\"time\":\"" + many('2') + "\"}",
         R"({"count":"12","seq":true})", R"([{"count":1}])", R"({"c\u006funt":5,"boot":"\ud83d\ude00"})"},
        decoded(meter_of(MessageForm::counter)));
    MeterSettings elsewhere = meter_of(MessageForm::counter);
    elsewhere.fields.count = "/water/0/n~1a";
    elsewhere.fields.boot = "/water/1";
    elsewhere.fields.time = std::nullopt;
    elsewhere.counter_bits = 8;
    tell.texts("counter elsewhere", characters, {R"({"water":[{"n/a":255},"b"],"time":"x","seq":3})"},
               decoded(elsewhere));
    MeterSettings bare = meter_of(MessageForm::counter);
    bare.fields.count = "";
    bare.counter_bits = 0;
    tell.texts("bare counter", characters, {"1234", "9223372036854775807", "-1", "\"7\""}, decoded(bare));
    tell.texts("pulses", characters, {R"({"pulses":3,"boot":12,"seq":9,"time":"2026-03-01 08:00:00+0100"})"},
               decoded(meter_of(MessageForm::pulses)));
    MeterSettings volume = meter_of(MessageForm::volume, {1, 3});
    volume.rolls_over_at_l = {100'000'000, 1};
    tell.texts("volume", characters,
               {R"({"volume":1234.567,"time":1772348400})", R"({"volume":99999.9999})",
                R"({"volume":100000})", R"({"volume":0.3333333333})"},
               decoded(volume));
}

void tell_senml(Teller& tell) {
    const std::string_view characters = "019-.e\",:{}[]_s ";
    for (const Ratio pulse_value_l : {Ratio{1, 1}, Ratio{1, 3}, Ratio{1000, 1}}) {
        const MeterSettings meter = meter_of(MessageForm::senml, pulse_value_l);
        tell.texts(
            fmt::format("SenML of {} L", pulse_value_l.value()), characters,
            {R"([{"bn":"urn:x:","n":"w","u":"count","v":1234}])",
             R"([{"bv":1000,"bu":"m3","bt":1772348400,"bn":"w","v":12.5,"t":-3600},{"v":12.53,"t":-60},{"v":13}])",
             R"([{"bver":10,"n":"w","u":"l","v":17.33},{"n":"w","u":"l","s":3},{"n":"w","u":"V","vs":"x","vb":true}])",
             R"([{"n":"w","u":"m3","v":1e15},{"n":"w","u":"m3","v":0.1111111111111111111111111}])"},
            decoded(meter));
        tell.packs(
            fmt::format("CBOR of {} L", pulse_value_l.value()),
            {"81 a4 20 0a 00 61 77 01 65 63 6f 75 6e 74 02 07",
             "81 a3 00 61 77 01 65 63 6f 75 6e 74 02 1a ffffffff",
             "81 a3 00 61 77 01 65 63 6f 75 6e 74 02 f9 6400",
             "81 a3 00 61 77 01 62 6d 33 02 c4 82 22 1a 0012d687",
             "81 a3 00 61 77 01 62 6d 33 02 fa 42f70000",
             "9f bf 61 6e 61 77 61 75 61 6c 61 76 07 61 78 82 01 a1 62 79 5f 9f 02 ff ff a4 01 61 6c 00 61 77 06 38 3b 02 05 ff",
             "83 a5 00 61 77 23 62 6d 33 22 1a 69a3e3f0 02 fb 4029000000000000 06 39 0e0f a3 00 61 77 02 fb "
             "4029051eb851eb85 06 39 0707 a2 00 61 77 02 fb 40290a3d70a3d70a",
             "81 a4 00 61 77 01 65 63 6f 75 6e 74 61 78 f5 02 05",
             "81 a4 00 61 77 01 65 63 6f 75 6e 74 61 78 5f 41 61 ff 02 1b 00000000ffffffff"},
            decoded(meter));
    }
    MeterSettings named = meter_of(MessageForm::senml);
    named.senml_name = "urn:x:cold";
    tell.texts(
        "SenML of a name", characters,
        {R"([{"bn":"urn:x:","bu":"count","n":"hot","v":5},{"n":"cold","v":7,"t":1},{"n":"cold","v":9,"t":2}])"},
        decoded(named));
}

}  // namespace

TEST_CASE("what is read of texts, whole and damaged, is what was read of them before") {
    std::stringstream now;
    Teller tell(now);
    tell_times(tell);
    tell_numbers(tell);
    tell_codes(tell);
    tell_json(tell);
    tell_senml(tell);
    tickledger::test::check_told_before(now, TICKLEDGER_SOURCE_DIR "/tests/core/texts_told.txt", 120);
}
