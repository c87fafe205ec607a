// The two message forms that are JSON documents, compared with a second reading of the document.
#pragma once

#include <nlohmann/json.hpp>

#include "fuzz/payload.hpp"

namespace tickledger::fuzz {

/// A parser that reads the whole document into memory must find the same count.
inline void must_agree_with_document(const Reading& reading, std::string_view payload,
                                     const std::string& pointer) {
    const auto document = nlohmann::json::parse(payload, nullptr, false);
    must(!document.is_discarded(), "an accepted payload is JSON");
    const nlohmann::json::json_pointer place(pointer);
    must(document.contains(place), "an accepted payload has the field");
    const auto& value = document.at(place);
    must(value.is_number(), "the field is a number");
    if (value.is_number_unsigned())
        must(value.get<std::uint64_t>() == reading.count, "the count is the field's value");
}

/// Adds a member that no pointer names, with an escape in its name. The fast parser leaves such a text to the
/// general one, which must give the same result.
inline void must_agree_with_the_general_way(const Result<std::vector<Reading>>& readings,
                                            std::string_view payload, const MeterSettings& meter) {
    if (!payload.starts_with('{')) return;
    const auto generally = decoded("{\"\\u0041nother\":[]," + std::string(payload.substr(1)), meter);
    must(generally.has_value() == readings.has_value(), "both parsers read the same messages");
    if (readings) must(same(generally->front(), readings->front()), "both parsers read the same values");
}

inline void try_json(std::string_view payload, MeterSettings meter) {
    auto& pointer = meter.message == MessageForm::pulses ? meter.fields.pulses : meter.fields.count;
    for (const char* place : {"/count", "", "/a/0/b"}) {
        pointer = place;
        const auto readings = decoded(payload, meter);
        if (pointer != "" && payload.size() < payload_max_bytes / 2)
            must_agree_with_the_general_way(readings, payload, meter);
        if (!readings) continue;
        must_agree_with_document(readings->front(), payload, place);
        if (payload.size() == payload_max_bytes) continue;
        const auto spaced = decoded(std::string(payload) + " ", meter);
        must(spaced && same(spaced->front(), readings->front()), "a space at the end changes nothing");
    }
}

}  // namespace tickledger::fuzz
