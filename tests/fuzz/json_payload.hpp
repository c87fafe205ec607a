// The two forms of message that are JSON documents, against a second reading of the document.
#pragma once

#include <nlohmann/json.hpp>

#include "fuzz/payload.hpp"

namespace tickledger::fuzz {

/// Where the document is read in another way, whole into memory, it must say the same count.
inline void must_agree_with_document(const Reading& reading, std::string_view payload,
                                     const std::string& pointer) {
    const auto document = nlohmann::json::parse(payload, nullptr, false);
    must(!document.is_discarded(), "what is taken is JSON");
    const nlohmann::json::json_pointer place(pointer);
    must(document.contains(place), "what is taken has the field");
    const auto& value = document.at(place);
    must(value.is_number(), "the field is a number");
    if (value.is_number_unsigned())
        must(value.get<std::uint64_t>() == reading.count, "the count is the field's");
}

/// One more member that no pointer names, with an escape in its name: the quick way of reading leaves such a
/// text to the general one, which must find the same.
inline void must_agree_with_the_general_way(const Result<std::vector<Reading>>& readings,
                                            std::string_view payload, const MeterSettings& meter) {
    if (!payload.starts_with('{')) return;
    const auto generally = decoded("{\"\\u0041nother\":[]," + std::string(payload.substr(1)), meter);
    must(generally.has_value() == readings.has_value(), "both ways read the same messages");
    if (readings) must(same(generally->front(), readings->front()), "both ways read the same values");
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
