// A SenML pack as it was written, in JSON or in CBOR.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "core/decimal.hpp"
#include "tickledger/result.hpp"

namespace tickledger {

/// The labels of a record that are used here: RFC 8428 table 1.
struct SenmlRecord {
    std::optional<std::string> base_name;
    std::optional<Decimal> base_time;
    std::optional<std::string> base_unit;
    std::optional<Decimal> base_value;
    std::optional<Decimal> base_version;
    std::optional<std::string> name;
    std::optional<std::string> unit;
    std::optional<Decimal> value;
    std::optional<Decimal> time;
    bool other_value = false;  ///< It holds a text, a truth value, data or a sum.
};

/// Takes a pack's parts in order from a parser and collects the records. Every call returns whether to go on;
/// if not, error() says why. Values of unknown labels may have any form.
class SenmlCollector {
public:
    bool start_array();
    bool start_record();
    bool label(std::string_view label);
    bool number(const Decimal& number);
    bool text(std::string_view text);
    bool other_scalar();  ///< A truth value or bytes.
    bool null();
    bool end();  ///< Of an array or a record.

    [[nodiscard]] const std::string& error() const { return error_; }
    [[nodiscard]] std::vector<SenmlRecord>& records() { return records_; }

private:
    enum class Expected : std::uint8_t { number, text, other, ignored };

    [[nodiscard]] bool refuse(std::string text);
    [[nodiscard]] bool at_value(Expected found, bool& wanted);
    [[nodiscard]] bool start(bool is_record);
    [[nodiscard]] std::optional<Decimal>* number_place();
    [[nodiscard]] std::optional<std::string>* text_place();

    std::vector<SenmlRecord> records_;
    std::string label_;
    std::string error_;
    int depth_ = 0;  ///< 1 in the pack, 2 in a record, more in what an unknown label holds.
};

[[nodiscard]] Result<std::vector<SenmlRecord>> read_senml_json(std::string_view text);
[[nodiscard]] Result<std::vector<SenmlRecord>> read_senml_cbor(std::string_view bytes);

}  // namespace tickledger
