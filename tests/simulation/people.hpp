// People who live there: what they tell the daemon, and when they have nothing to tell.
#pragma once

#include <map>
#include <optional>
#include <string>

#include "book/bookkeeper.hpp"
#include "simulation/plan.hpp"
#include "tickledger/civil.hpp"

namespace tickledger::simulation {

class People {
public:
    /// Both must outlive this.
    People(const Plan& plan, const CivilZone& zone) : plan_(plan), zone_(zone) {}

    /// The instruction; nothing: there is none, as no alarm was published or no reading was told yet.
    [[nodiscard]] std::optional<std::string> say(const PlannedWord& planned);

    void note_published(const Outgoing& outgoing);

private:
    [[nodiscard]] std::string read_register(const PlannedWord& planned, bool starts);

    const Plan& plan_;
    const CivilZone& zone_;
    std::string last_alarm_;                    ///< The payload of the last one that was published.
    std::map<std::uint32_t, Instant> read_at_;  ///< The last reading that was told of a node's meter.
};

}  // namespace tickledger::simulation
