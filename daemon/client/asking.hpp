// What every command needs: asking the daemon, explaining a refusal, and writing the answer.
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

/// Ends the program with the daemon's reason for refusing a request, in the words of the command line. Throws
/// Stop.
[[noreturn]] void refuse(const Options& options, const Answer& answer);

/// The body of the daemon's answer. Throws Stop if nobody answers or the request is refused.
[[nodiscard]] std::string ask(const Options& options, const Asked& asked);
/// The document of an answer, made harmless to show (harmless.hpp).
[[nodiscard]] Json read(std::string_view body, bool for_spreadsheet = false);
void put(std::string_view text);

/// Asks each question in turn and writes the answers one below the other.
void show(const Options& options, const View& view, const std::vector<Asked>& questions);

/// Adds a query string to the target. Empty values are left out.
[[nodiscard]] std::string with_query(std::string target,
                                     const std::vector<std::pair<std::string, std::string>>& query);

/// The meters' names; empty if the daemon does not give them.
[[nodiscard]] Names names_from(const Options& options);
/// The id of the meter that was named by its id or its name; empty if none was named. Throws Stop if a name
/// fits no meter or several.
[[nodiscard]] std::string meter_id(const Options& options);
/// The id of the named meter, or all ids if none was named.
[[nodiscard]] std::vector<std::string> meter_ids(const Options& options);
/// The one meter that a command changes: the named one, or the only one. Throws Stop if there is no such one.
[[nodiscard]] std::string told_meter(const Options& options);
/// The time at the site, from the daemon.
[[nodiscard]] std::string site_time(const Options& options);

}  // namespace tickledger
