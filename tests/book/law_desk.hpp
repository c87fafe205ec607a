// A ledger in memory and its bookkeeper, for properties. It can be killed, and its books can be read from
// outside.
#pragma once

#include <rapidcheck.h>

#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "book/bookkeeper.hpp"
#include "simulation/books.hpp"
#include "simulation/sim_vfs.hpp"

namespace tickledger::test {

using simulation::Books;
using simulation::SimVfs;

class Desk {
public:
    Desk(SimVfs& vfs, std::string file, const MeterSettings& meter)
        : vfs_(vfs), file_(std::move(file)), meters_{meter}, zone_(CivilZone::find("Europe/Lisbon").value()) {
        open();
    }
    ~Desk() { close(); }

    void open() {
        ledger_ = std::move(Ledger::open(file_, vfs_.name()).value());
        keeper_ = std::make_unique<Bookkeeper>(meters_, zone_, *ledger_, Publishing::everything, 1);
        if (sleeps_) keeper_->keep_awake(0);
        RC_ASSERT(keeper_->load().has_value());
    }
    /// Like a kill: everything in memory is gone, and nothing that the destructors write reaches the file.
    void kill() {
        vfs_.ask_before_writes([] { return false; });
        close();
        vfs_.ask_before_writes({});
        open();
    }
    /// From now on the account sleeps between batches.
    void let_sleep() {
        sleeps_ = true;
        keeper_->keep_awake(0);
    }
    void close() {
        keeper_.reset();
        ledger_.reset();
    }
    Books books() {
        close();
        Books books = std::move(Books::read(vfs_.name(), file_).value());
        open();
        return books;
    }
    std::vector<RegisterReading> readings() {
        return ledger_->register_readings(ledger_->meter_key(meters_[0].id).value()).value();
    }
    void book(std::span<const Delivery> deliveries, std::optional<Instant> until = {}) {
        const auto booked =
            keeper_->book({.deliveries = deliveries, .next = {}, .until = until, .published = {}});
        if (!booked) RC_LOG() << booked.error().text << "\n";
        RC_ASSERT(booked.has_value());
    }

private:
    SimVfs& vfs_;
    const std::string file_;
    const std::vector<MeterSettings> meters_;
    const CivilZone zone_;
    bool sleeps_ = false;
    std::unique_ptr<Ledger> ledger_;
    std::unique_ptr<Bookkeeper> keeper_;
};

inline void same(const Books& a, const Books& b) {
    const auto difference = Books::difference(a, b);
    if (difference) RC_LOG() << *difference << "\n";
    RC_ASSERT(!difference);
}

}  // namespace tickledger::test
