// The memory of a meter as ledgers before version 9 hold it: a JSON object.
#include "book/memory_json.hpp"

#include <array>
#include <nlohmann/json.hpp>

#include "book/memory_fields.hpp"

namespace tickledger {

namespace {

using Json = nlohmann::json;

class JsonReader {
public:
    explicit JsonReader(const Json& json) : json_(json) {}
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
    template <typename T>
    static void decode(const Json& json, Seldom<T>& value) {
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
    static void decode(const Json& json, T& value) {
        JsonReader inner(json);
        fields(inner, value);
    }

    const Json& json_;
};

}  // namespace

Result<AccountMemory> memory_from_json(const std::string& text) {
    const Json json = Json::parse(text, nullptr, false);
    if (!json.is_object()) return fail("the ledger's memory of a meter is damaged: it is not a JSON object");
    try {
        AccountMemory memory;
        JsonReader reader(json);
        fields(reader, memory);
        return memory;
    } catch (const Json::exception& error) {
        return fail(std::string("the ledger's memory of a meter is damaged: ") + error.what());
    }
}

}  // namespace tickledger
