#include "core/senml_pack.hpp"

#include <utility>

#include "core/json_text.hpp"

namespace tickledger {

bool SenmlCollector::refuse(std::string text) {
    error_ = std::move(text);
    return false;
}

/// Checks that a value is allowed here. Sets `wanted` if it belongs to the record itself.
bool SenmlCollector::at_value(Expected found, bool& wanted) {
    wanted = depth_ == 2;
    if (depth_ > 2) return true;
    if (depth_ < 2) return refuse("A SenML pack is an array of records, but this payload is not one.");
    Expected expected = Expected::ignored;
    if (number_place() != nullptr || label_ == "s" || label_ == "bs" || label_ == "ut")
        expected = Expected::number;
    if (text_place() != nullptr || label_ == "vs") expected = Expected::text;
    // Data is a text in JSON and bytes in CBOR, so its form shows nothing.
    if (expected == Expected::ignored || expected == found) return true;
    return refuse("The label `" + label_ + "` of record " + std::to_string(records_.size()) + " needs " +
                  (expected == Expected::number ? "a number." : "a text."));
}

std::optional<Decimal>* SenmlCollector::number_place() {
    SenmlRecord& record = records_.back();
    if (label_ == "v") return &record.value;
    if (label_ == "t") return &record.time;
    if (label_ == "bt") return &record.base_time;
    if (label_ == "bv") return &record.base_value;
    if (label_ == "bver") return &record.base_version;
    return nullptr;
}

std::optional<std::string>* SenmlCollector::text_place() {
    SenmlRecord& record = records_.back();
    if (label_ == "n") return &record.name;
    if (label_ == "u") return &record.unit;
    if (label_ == "bn") return &record.base_name;
    if (label_ == "bu") return &record.base_unit;
    return nullptr;
}

bool SenmlCollector::label(std::string_view label) {
    if (depth_ != 2) return true;
    // RFC 8428 section 4.4: a label that ends in "_" must be understood, and we know none.
    if (label.ends_with('_')) {
        return refuse("The SenML label `" + excerpt(label) +
                      "` must be understood to read the pack, but it is unknown.");
    }
    label_ = label;
    return true;
}

bool SenmlCollector::number(const Decimal& number) {
    bool wanted = false;
    if (!at_value(Expected::number, wanted)) return false;
    if (!wanted) return true;
    if (auto* place = number_place()) {
        if (*place)
            return refuse("The label `" + label_ + "` appears in record " + std::to_string(records_.size()) +
                          " twice.");
        *place = number;
    } else if (label_ == "s") {
        records_.back().other_value = true;
    }
    return true;
}

bool SenmlCollector::text(std::string_view text) {
    bool wanted = false;
    if (!at_value(Expected::text, wanted)) return false;
    if (!wanted) return true;
    if (auto* place = text_place()) {
        if (*place)
            return refuse("The label `" + label_ + "` appears in record " + std::to_string(records_.size()) +
                          " twice.");
        *place = std::string(text);
    } else if (label_ == "vs" || label_ == "vd") {
        records_.back().other_value = true;
    }
    return true;
}

bool SenmlCollector::other_scalar() {
    bool wanted = false;
    if (!at_value(Expected::other, wanted)) return false;
    if (wanted && (label_ == "vb" || label_ == "vd")) records_.back().other_value = true;
    return true;
}

bool SenmlCollector::null() {
    // As in every message, a null field counts as absent.
    return depth_ >= 2 || refuse("A SenML pack is an array of records, but this is null.");
}

bool SenmlCollector::start(bool is_record) {
    bool wanted = false;
    if (depth_ == 0 && is_record)
        return refuse("A SenML pack is an array of records, but this is a single object.");
    if (depth_ == 1 && !is_record) return refuse("A SenML pack holds records, but there is an array in it.");
    if (depth_ >= 2 && !at_value(Expected::other, wanted)) return false;
    if (depth_ == json_depth_max) {
        return refuse("The payload's arrays and objects are nested more than " +
                      std::to_string(json_depth_max) + " levels deep.");
    }
    if (depth_ == 1) records_.emplace_back();
    ++depth_;
    return true;
}

bool SenmlCollector::start_array() {
    return start(false);
}

bool SenmlCollector::start_record() {
    return start(true);
}

bool SenmlCollector::end() {
    --depth_;
    return true;
}

}  // namespace tickledger
