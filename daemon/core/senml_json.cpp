#include <nlohmann/json.hpp>
#include <utility>

#include "core/json_text.hpp"
#include "core/senml_pack.hpp"

namespace tickledger {

namespace {

/// Passes what the JSON parser finds on to the collector. Numbers are passed on as written, so that a volume
/// of 1234.567 stays exact.
class JsonToSenml {
public:
    SenmlCollector collector;
    std::size_t error_at = 0;

    bool null() { return collector.null(); }
    bool boolean(bool /*truth*/) { return collector.other_scalar(); }
    bool number_integer(std::int64_t number) { return collector.number(decimal_of(number)); }
    bool number_unsigned(std::uint64_t number) { return collector.number(decimal_of(number)); }
    bool number_float(double /*nearest*/, const std::string& text) {
        return collector.number(decimal_of(text));
    }
    bool string(const std::string& text) { return collector.text(text); }
    bool binary(nlohmann::json::binary_t& /*bytes*/) { return collector.other_scalar(); }
    bool start_object(std::size_t /*elements*/) { return collector.start_record(); }
    bool start_array(std::size_t /*elements*/) { return collector.start_array(); }
    bool end_object() { return collector.end(); }
    bool end_array() { return collector.end(); }
    bool key(const std::string& name) { return collector.label(name); }
    bool parse_error(std::size_t byte, const std::string& /*token*/,
                     const nlohmann::json::exception& /*reason*/) {
        error_at = byte;
        return false;
    }
};

}  // namespace

Result<std::vector<SenmlRecord>> read_senml_json(std::string_view text) {
    JsonToSenml reader;
    if (nlohmann::json::sax_parse(text, &reader)) return std::move(reader.collector.records());
    if (!reader.collector.error().empty()) return fail(reader.collector.error());
    return fail("The payload is not JSON: " + json_error_at(text, reader.error_at).text);
}

}  // namespace tickledger
