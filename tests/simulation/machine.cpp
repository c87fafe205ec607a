#include "simulation/machine.hpp"

#include <limits>
#include <utility>

namespace tickledger::simulation {

namespace {

tl::unexpected<Error> down() {
    return fail("The simulated machine is down.");
}

}  // namespace

/// The disk's files as the daemon sees them: every write may be its last.
class Machine::Port final : public Files {
public:
    explicit Port(Machine& machine) : machine_(machine) {}

    Result<std::unique_ptr<AppendFile>> open_append(const std::filesystem::path& file) override {
        if (!machine_.may_write()) return down();
        auto opened = machine_.files_.open_append(file);
        if (!opened) return tl::unexpected(opened.error());
        return std::make_unique<Handle>(machine_, std::move(*opened));
    }
    Result<std::string> read(const std::filesystem::path& file, std::uint64_t offset_bytes,
                             std::size_t max_bytes) override {
        return machine_.files_.read(file, offset_bytes, max_bytes);
    }
    Result<std::uint64_t> size_bytes(const std::filesystem::path& file) override {
        return machine_.files_.size_bytes(file);
    }
    Result<std::vector<std::string>> list(const std::filesystem::path& directory) override {
        return machine_.files_.list(directory);
    }
    Result<void> remove(const std::filesystem::path& file) override {
        return machine_.may_write() ? machine_.files_.remove(file) : down();
    }
    Result<void> make_directory(const std::filesystem::path& directory) override {
        return machine_.files_.make_directory(directory);
    }

private:
    class Handle final : public AppendFile {
    public:
        Handle(Machine& machine, std::unique_ptr<AppendFile> file)
            : machine_(machine), file_(std::move(file)) {}

        Result<void> append(std::string_view bytes) override {
            if (machine_.may_write()) return file_->append(bytes);
            return down();
        }
        Result<void> sync() override { return machine_.may_write() ? file_->sync() : down(); }
        Result<void> truncate(std::uint64_t size_bytes) override {
            return machine_.may_write() ? file_->truncate(size_bytes) : down();
        }

    private:
        Machine& machine_;
        std::unique_ptr<AppendFile> file_;
    };

    Machine& machine_;
};

Machine::Machine(std::uint64_t seed)
    : chance_(Chance::seed_of(seed, 0)),
      files_(Chance::seed_of(seed, 1)),
      vfs_(Chance::seed_of(seed, 2)),
      files_port_(std::make_unique<Port>(*this)) {
    vfs_.ask_before_writes([this] { return may_write(); });
}

void Machine::strike(Blow blow) {
    if (blow == Blow::power_cut) {
        cut_power(chance_.happens(0.3) ? test::PowerCut::forgets_all : test::PowerCut::tears);
    }
    is_armed_ = false;
    down_ = true;
}

void Machine::cut_power(test::PowerCut how) {
    is_armed_ = false;
    down_ = lost_power_ = true;
    files_.cut_power(how);
    vfs_.cut_power(how);
}

void Machine::strike_after(std::uint64_t writes, Blow blow) {
    is_armed_ = true;
    writes_left_ = writes;
    blow_ = blow;
}

bool Machine::may_write() {
    if (down_) return false;
    if (!is_armed_) return true;
    if (writes_left_-- > 0) return true;
    strike(blow_);
    return false;
}

void Machine::revive() {
    is_armed_ = down_ = lost_power_ = false;
}

void Machine::set_free_bytes(std::uint64_t bytes) {
    files_.set_free_bytes(bytes);
    vfs_.set_free_bytes(bytes);
}

void Machine::set_free_without_end() {
    set_free_bytes(std::numeric_limits<std::uint64_t>::max());
}

}  // namespace tickledger::simulation
