// The housekeeping thread: when it makes a backup, and what it does if it cannot.
#include "service/housekeeper.hpp"

#include <atomic>
#include <catch2/catch.hpp>
#include <fstream>

#include "store/ledger.hpp"
#include "support/temp_directory.hpp"
#include "support/wait_until.hpp"

using namespace tickledger;
using namespace tickledger::test;

namespace {

/// A ledger, and a path for its backups that is a file and not yet a directory.
class House {
public:
    House() {
        REQUIRE(Ledger::open(ledger()).has_value());
        std::ofstream(place()) << "in the way";
    }

    Housekeeper::Parts parts() {
        Housekeeper::Parts parts;
        parts.store.directory = directory_.path();
        parts.store.backup_directory = place();
        parts.ledger = ledger();
        parts.is_in_place = [this] {
            ++looks_;
            return is_in_place_.load();
        };
        parts.now = [this] {
            ++rounds_;
            return std::optional(instant_of(1'772'334'000'000'000));
        };
        parts.on_damage = [this](const std::string&) { is_damaged_ = true; };
        return parts;
    }
    void clear_the_way() const {
        std::filesystem::remove(place());
        std::filesystem::create_directory(place());
    }
    /// Puts another file in the ledger's place.
    void replace() {
        is_in_place_ = false;
        std::filesystem::rename(ledger(), ledger().string() + ".ours");
        std::ofstream(ledger()) << "another's file";
    }
    void put_back() {
        std::filesystem::rename(ledger().string() + ".ours", ledger());
        is_in_place_ = true;
    }
    /// Runs two rounds of the housekeeper, so a round that began before the call is over.
    void round(Housekeeper& keeper) {
        for (int i = 0; i < 2; ++i) {
            const int before = rounds_;
            keeper.suspect();
            REQUIRE(wait_until([&] { return rounds_ > before; }));
        }
    }
    [[nodiscard]] int looks() const { return looks_; }
    [[nodiscard]] bool is_damaged() const { return is_damaged_; }

private:
    [[nodiscard]] std::filesystem::path ledger() const { return directory_.path() / "ledger.db"; }
    [[nodiscard]] std::filesystem::path place() const { return directory_.path() / "backups"; }

    TempDirectory directory_;
    std::atomic<int> rounds_{0};
    std::atomic<int> looks_{0};
    std::atomic<bool> is_in_place_{true};
    std::atomic<bool> is_damaged_{false};
};

}  // namespace

TEST_CASE("a failed backup was retried in every round, on a disk that was already full") {
    House house;
    Housekeeper keeper(house.parts());
    REQUIRE(wait_until([&] { return !keeper.state().trouble.empty(); }));
    house.clear_the_way();
    house.round(keeper);
    house.round(keeper);
    CHECK(keeper.state().backup_count == 0);
    CHECK_FALSE(keeper.state().trouble.empty());
    CHECK_FALSE(house.is_damaged());
}

TEST_CASE("a failed backup is made at the next due time, and the trouble ends") {
    House house;
    auto parts = house.parts();
    parts.try_again_after = {};
    Housekeeper keeper(std::move(parts));
    REQUIRE(wait_until([&] { return !keeper.state().trouble.empty(); }));
    house.clear_the_way();
    house.round(keeper);
    CHECK(wait_until([&] { return keeper.state().backup_count == 1; }));
    CHECK(keeper.state().trouble.empty());
    CHECK_FALSE(house.is_damaged());
}

TEST_CASE("another file in the ledger's place was taken for a damaged ledger") {
    House house;
    house.clear_the_way();
    house.replace();
    Housekeeper keeper(house.parts());
    REQUIRE(wait_until([&] {
        keeper.suspect();
        return house.looks() >= 2;
    }));
    house.put_back();
    CHECK(wait_until([&] {
        keeper.suspect();
        return keeper.state().backup_count == 1;
    }));
    CHECK_FALSE(house.is_damaged());
}
