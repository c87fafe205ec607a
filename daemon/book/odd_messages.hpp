// Messages that book nothing, and readings that were not believed, for the person who looks after the nodes.
#pragma once

#include <cstdint>
#include <string>
#include <utility>
#include <vector>

namespace tickledger {

struct OddMessage {
    enum class Kind : std::uint8_t {
        unreadable,  ///< Nothing of it could be read.
        stray,       ///< The reading after it did not confirm its count.
        unmatched,   ///< Its topic was subscribed to, but it belongs to no meter.
    };
    Kind kind = Kind::unreadable;
    std::string meter;  ///< Empty if unmatched.
    std::string topic;
    std::string text;  ///< Why, in words; empty if unmatched.
};

/// The odd messages since the last take(). At most 64 are kept; later ones are dropped.
class OddMessages {
public:
    void note(OddMessage message) {
        if (kept_.size() < kept_max) kept_.push_back(std::move(message));
    }
    [[nodiscard]] std::vector<OddMessage> take() { return std::exchange(kept_, {}); }

private:
    static constexpr std::size_t kept_max = 64;
    std::vector<OddMessage> kept_;
};

}  // namespace tickledger
