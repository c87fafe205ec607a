// Messages that book nothing, and readings that were not believed, for whoever looks after the nodes.
#pragma once

#include <cstdint>
#include <string>
#include <utility>
#include <vector>

namespace tickledger {

struct OddMessage {
    enum class Kind : std::uint8_t {
        unreadable,  ///< Nothing of it could be read.
        stray,       ///< It told a count that fits neither what came before nor what came after it.
        unmatched,   ///< Its topic was subscribed to, and yet it belongs to no meter.
    };
    Kind kind = Kind::unreadable;
    std::string meter;  ///< Empty where it is unmatched.
    std::string topic;
    std::string text;  ///< Why, in words; empty where it is unmatched.
};

/// Those of a batch, until somebody takes them. Bounded: of more than 64, the later ones are dropped.
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
