// What people said about single draws. It comes from instructions in the message log, and is one fact of the
// ledger for each meter.
#pragma once

#include <nlohmann/json_fwd.hpp>
#include <string>
#include <string_view>
#include <vector>

#include "store/ledger.hpp"
#include "tickledger/draw.hpp"

namespace tickledger {

/// How many are kept for each meter. Beyond that, the oldest draw is dropped.
inline constexpr std::size_t told_draws_max = 400;

[[nodiscard]] std::string instruction_to_tell(const std::string& meter, const ToldDraw& told);
/// Takes back what was told about the draw at this moment.
[[nodiscard]] std::string instruction_to_forget(const std::string& meter, Instant told_at);

/// The name of the ledger's fact for this meter.
[[nodiscard]] std::string told_draws_fact(std::string_view meter);
/// The draws in the fact, in order of time. Elements that cannot be read are skipped.
[[nodiscard]] std::vector<ToldDraw> told_draws_in(const std::string& fact);

/// Each carries out an instruction's document. Repeated, it changes nothing. Throws StoreFailure.
void keep_told_draw(Ledger& ledger, const std::string& meter, const nlohmann::json& document);
void forget_told_draw(Ledger& ledger, const std::string& meter, const nlohmann::json& document);

}  // namespace tickledger
