// The simulated server that the daemon runs on: its disk, and the kills and power cuts that stop it.
#pragma once

#include <filesystem>
#include <memory>

#include "simulation/chance.hpp"
#include "simulation/sim_vfs.hpp"
#include "support/sim_files.hpp"

namespace tickledger::simulation {

/// What can stop the daemon between two writes.
enum class Blow : std::uint8_t {
    kill,       ///< kill -9: memory is lost, the files stay.
    power_cut,  ///< Unsynced writes are lost too, or torn.
};

/// A machine whose daemon can be stopped at any write to its disk, to the message log or to the ledger.
/// From the blow until revive() nothing can be written, so the destructors of a dying daemon have no effect.
class Machine {
public:
    explicit Machine(std::uint64_t seed);

    [[nodiscard]] Files& files() { return *files_port_; }
    [[nodiscard]] SimVfs& vfs() { return vfs_; }
    [[nodiscard]] test::SimFiles& disk() { return files_; }

    void strike(Blow blow);
    /// A power cut of a given kind; strike() chooses the kind at random.
    void cut_power(test::PowerCut how);
    /// Strikes after this many more writes.
    void strike_after(std::uint64_t writes, Blow blow);
    void disarm() { is_armed_ = false; }
    [[nodiscard]] bool is_down() const { return down_; }
    /// Whether the power was cut since the machine was last revived.
    [[nodiscard]] bool lost_power() const { return lost_power_; }
    void revive();

    void set_free_bytes(std::uint64_t bytes);
    void set_free_without_end();

    /// Counts a write. False if the machine is down.
    [[nodiscard]] bool may_write();

private:
    class Port;

    Chance chance_;
    test::SimFiles files_;
    SimVfs vfs_;
    std::unique_ptr<Files> files_port_;
    bool is_armed_ = false;
    std::uint64_t writes_left_ = 0;
    Blow blow_ = Blow::kill;
    bool down_ = false;
    bool lost_power_ = false;
};

}  // namespace tickledger::simulation
