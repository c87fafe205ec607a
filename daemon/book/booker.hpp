// One pass of booking: what the log holds beyond what is booked, into the ledger. No thread, no waiting.
#pragma once

#include <optional>
#include <span>
#include <string>

#include "book/bookkeeper.hpp"
#include "store/files.hpp"
#include "store/message_log.hpp"

namespace tickledger {

class Booker {
public:
    enum class Pass : std::uint8_t {
        done,    ///< Everything accepted before the pass is booked, but for what the feed holds back.
        more,    ///< There is more to read.
        failed,  ///< The store failed; the next pass offers the same batch again. See trouble().
    };

    /// `messages`: the directory of the log. `from`: the place up to which its lines are booked; a line
    /// begins there, or the log ends.
    Booker(Files& files, const std::filesystem::path& messages, MessageLog& log, Bookkeeper& bookkeeper,
           const LogPosition& from)
        : log_(log), bookkeeper_(bookkeeper), reader_(files, messages, from), booked_to_(from) {}

    /// Reads, books and lets the clock run to `now`. `published`: what the broker has, to leave the outbox;
    /// `took` tells whether it did.
    [[nodiscard]] Pass pass(Instant now, std::span<const std::int64_t> published = {}, bool* took = nullptr);

    /// Why the last pass failed, in the store's words; empty: it did not.
    [[nodiscard]] const std::string& trouble() const { return trouble_; }
    /// Messages that wait for the server's clock to be set.
    [[nodiscard]] std::size_t undated_count() const { return detector_.undated_count(); }
    /// The place in the log up to which everything is in the ledger.
    [[nodiscard]] const LogPosition& booked_to() const { return booked_to_; }

private:
    /// True: everything before the horizon has been read.
    [[nodiscard]] Result<bool> read_events(const MessageLog::Horizon& horizon);
    [[nodiscard]] Pass fail_with(const Error& error);

    MessageLog& log_;
    Bookkeeper& bookkeeper_;
    MessageLogReader reader_;
    BacklogDetector detector_;
    BacklogDetector::Ready offered_;  ///< A batch that could not be booked yet.
    LogPosition booked_to_;
    std::string trouble_;
};

}  // namespace tickledger
