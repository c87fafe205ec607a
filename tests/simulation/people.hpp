// The people of the house and the instructions that they give the daemon.
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

    /// The instruction. Nothing if it needs an alarm or a reading and there has been none yet.
    [[nodiscard]] std::optional<std::string> say(const PlannedWord& planned);

    void note_published(const Outgoing& outgoing);

private:
    [[nodiscard]] std::string read_register(const PlannedWord& planned, bool starts);

    const Plan& plan_;
    const CivilZone& zone_;
    std::string last_alarm_;                    ///< The payload of the last published one.
    std::map<std::uint32_t, Instant> read_at_;  ///< By node: the last reading by eye of its meter.
};

}  // namespace tickledger::simulation
