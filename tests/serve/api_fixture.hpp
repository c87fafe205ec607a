// The API on a real ledger file, written through the ledger as the daemon writes it.
#pragma once

#include <map>
#include <nlohmann/json.hpp>
#include <string>

#include "serve/api.hpp"
#include "store/ledger.hpp"
#include "support/temp_directory.hpp"

namespace tickledger::test {

/// A value that must be there, or the reason as an exception that fails the test.
template <typename T, typename E>
T sure(tl::expected<T, E> result) {
    if (!result) throw std::runtime_error(result.error().text);
    if constexpr (!std::is_void_v<T>) return *std::move(result);
}

inline Instant at(std::string_view text) {
    return sure(parse_rfc3339(text));
}

inline bool mentions(const std::string& text, const std::string& part) {
    return text.find(part) != std::string::npos;
}

/// Two configured meters, "house" (1 L) and "garden" (1/3 L), and a pattern "flat-{1}"; zone Europe/Lisbon;
/// it is 2026-03-08T12:00Z.
struct ApiFixture {
    ApiFixture();

    /// The whole answer, with its parts joined.
    Response answer(const std::string& target, const std::string& method = "GET",
                    const std::string& body = {}) const;
    /// A document that must come with status 200.
    nlohmann::ordered_json document(const std::string& target) const;
    /// The detail of a refusal that must come with this status.
    std::string refusal(const std::string& target, unsigned status, const std::string& method = "GET",
                        const std::string& body = {}) const;

    MeterKey meter(const std::string& id) { return sure(ledger->meter_key(id)); }
    /// Adds an entry between two times in UTC on 2026-03-01, to the minute: "08:00".
    void add(MeterKey key, std::string_view from, std::string_view to, std::int64_t ticks,
             EntryKind kind = EntryKind::measured);
    ApiParts parts() const;

    TempDirectory directory;
    std::filesystem::path file = directory / "ledger.db";
    std::unique_ptr<Ledger> ledger = sure(Ledger::open(file));
    Configuration configuration;
    std::map<std::string, MeterSummary> summaries;
    HealthFacts health;
    Instant now = at("2026-03-08T12:00:00Z");
    mutable ClockState clock;
    Duration snapshot_longest = std::chrono::minutes{1};
    mutable int caught_up = 0;
    /// The instructions that the calls have kept.
    mutable std::vector<std::string> orders;
    /// Called for each instruction, if a test sets it.
    std::function<void()> on_order;
    mutable std::map<std::string, MeterSettings> resolved;
    std::unique_ptr<Api> api;
};

}  // namespace tickledger::test
