// What people said single uses of water were: instructions in the message log, a fact of the ledger a meter.
#pragma once

#include <nlohmann/json_fwd.hpp>
#include <string>
#include <string_view>
#include <vector>

#include "store/ledger.hpp"
#include "tickledger/draw.hpp"

namespace tickledger {

/// So many are kept of a meter; the one whose use is longest ago goes.
inline constexpr std::size_t told_draws_max = 400;

[[nodiscard]] std::string instruction_to_tell(const std::string& meter, const ToldDraw& told);
/// Takes back what was told of the use at this moment.
[[nodiscard]] std::string instruction_to_forget(const std::string& meter, Instant told_at);

/// The name of the ledger's fact.
[[nodiscard]] std::string told_draws_fact(std::string_view meter);
/// What is in it, in order of time. What cannot be read is passed over.
[[nodiscard]] std::vector<ToldDraw> told_draws_in(const std::string& fact);

/// Each does what an instruction's document says. Given again it changes nothing. Throws StoreFailure.
void keep_told_draw(Ledger& ledger, const std::string& meter, const nlohmann::json& document);
void forget_told_draw(Ledger& ledger, const std::string& meter, const nlohmann::json& document);

}  // namespace tickledger
