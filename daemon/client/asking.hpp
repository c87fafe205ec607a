// What every command needs: to ask the daemon, to explain a refusal, to write the answer.
#pragma once

#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "client/commands.hpp"
#include "client/local_http.hpp"
#include "client/names.hpp"
#include "client/views.hpp"

namespace tickledger {

/// Ends the program with what the daemon says of a request that it refused, in the words of the command line.
[[noreturn]] void refuse(const Options& options, const Answer& answer);

/// The body of the daemon's answer. Throws Stop where nobody answers or it is refused.
[[nodiscard]] std::string ask(const Options& options, const Asked& asked);
/// The document of an answer, harmless to show (harmless.hpp).
[[nodiscard]] Json read(std::string_view body, bool for_spreadsheet = false);
void put(std::string_view text);

/// Asks each question in turn and shows the answers one below the other.
void show(const Options& options, const View& view, const std::vector<Asked>& questions);

/// Empty values are left out.
[[nodiscard]] std::string with_query(std::string target,
                                     const std::vector<std::pair<std::string, std::string>>& query);

/// The meters' names; none where the daemon does not tell them.
[[nodiscard]] Names names_from(const Options& options);
/// The id of the meter that was named, by its id or its name. Throws Stop where a name means none or several.
[[nodiscard]] std::string meter_id(const Options& options);
/// The ids that are meant: the one that was named, or all there are.
[[nodiscard]] std::vector<std::string> meter_ids(const Options& options);
/// The one meter that is meant where something is told: the named one, or the only one there is.
[[nodiscard]] std::string told_meter(const Options& options);
/// The time at the site, as the daemon tells it.
[[nodiscard]] std::string site_time(const Options& options);

}  // namespace tickledger
