// The least that keeps an account: what MQTT, a log and SQLite cost by themselves.
//
//   bench_least listen SUMS URL QOS DIRECTORY [memory]   until SIGTERM
//   bench_least replay SUMS RECORDING LEDGER             RECORDING: lines as in the message log
//
// `listen` prints "ready" once it has subscribed.
//
// For each message it writes a line into a log before it acknowledges, and an entry as a row. For each meter
// that was heard in a transaction it writes two rows: the sum of its interval and the state of its counter.
// SQLite has the daemon's settings and commits as often. `memory`: SQLite keeps the index of its write-ahead
// log in the program's memory. It rejects nothing, records no gaps, publishes nothing, packs nothing and
// answers no questions. A daemon that does these things costs more.
#include <fcntl.h>
#include <fmt/format.h>
#include <mqtt/async_client.h>
#include <simdjson.h>
#include <sqlite3.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <chrono>
#include <condition_variable>
#include <csignal>
#include <cstdio>
#include <cstdlib>
#include <fstream>
#include <mutex>
#include <string>
#include <string_view>
#include <thread>
#include <unordered_map>
#include <vector>

#include "tickledger/time.hpp"

namespace {

using tickledger::Instant;

// As in the daemon.
constexpr std::size_t messages_a_commit = 10'000;
constexpr std::size_t messages_a_commit_of_replay = 100'000;
constexpr std::chrono::seconds commit_every{1};
// Months and years of fixed length cost as much as true ones.
constexpr std::array<std::chrono::minutes, 5> steps{std::chrono::minutes{15}, std::chrono::hours{1},
                                                    std::chrono::hours{24}, std::chrono::hours{30 * 24},
                                                    std::chrono::hours{365 * 24}};

struct Heard {
    std::string topic;
    std::string payload;
    Instant at;
};

[[noreturn]] void give_up(std::string_view why) {
    fmt::print(stderr, "bench_least: {}\n", why);
    std::exit(1);
}

class Statement {
public:
    Statement(sqlite3* database, const char* sql) {
        if (sqlite3_prepare_v2(database, sql, -1, &statement_, nullptr) != SQLITE_OK)
            give_up(sqlite3_errmsg(database));
    }
    ~Statement() { sqlite3_finalize(statement_); }
    Statement(const Statement&) = delete;
    Statement& operator=(const Statement&) = delete;

    void run(std::initializer_list<std::int64_t> values) {
        int place = 0;
        for (const std::int64_t value : values)
            sqlite3_bind_int64(statement_, ++place, value);
        step();
    }
    void run(std::int64_t key, const std::string& text) {
        sqlite3_bind_int64(statement_, 1, key);
        sqlite3_bind_text(statement_, 2, text.data(), static_cast<int>(text.size()), SQLITE_STATIC);
        step();
    }

private:
    void step() {
        if (sqlite3_step(statement_) != SQLITE_DONE) give_up(sqlite3_errmsg(sqlite3_db_handle(statement_)));
        sqlite3_reset(statement_);
    }
    sqlite3_stmt* statement_ = nullptr;
};

class File {
public:
    File(const std::string& name, bool index_in_memory) {
        const int flags = SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE | SQLITE_OPEN_NOMUTEX;
        if (sqlite3_open_v2(name.c_str(), &database_, flags, index_in_memory ? "unix-excl" : nullptr) !=
            SQLITE_OK)
            give_up(sqlite3_errmsg(database_));
        run("PRAGMA page_size = 1024; PRAGMA journal_mode = WAL; PRAGMA synchronous = NORMAL;"
            "PRAGMA wal_autocheckpoint = 4000; PRAGMA journal_size_limit = 16777216;"
            "CREATE TABLE meter (key INTEGER PRIMARY KEY, topic TEXT NOT NULL, count INTEGER, boot INTEGER,"
            " seq INTEGER, at_us INTEGER) STRICT;"
            "CREATE TABLE entry (to_us INTEGER, meter INTEGER, ticks INTEGER, PRIMARY KEY (to_us, meter)) STRICT,"
            " WITHOUT ROWID;"
            "CREATE TABLE usage_row (step INTEGER, start_us INTEGER, meter INTEGER, ticks INTEGER, PRIMARY KEY (step, start_us, meter))"
            " STRICT, WITHOUT ROWID;"
            "CREATE TABLE booked (messages INTEGER) STRICT; INSERT INTO booked VALUES (0)");
    }
    ~File() { sqlite3_close(database_); }
    File(const File&) = delete;
    File& operator=(const File&) = delete;

    void run(const char* sql) {
        if (sqlite3_exec(database_, sql, nullptr, nullptr, nullptr) != SQLITE_OK)
            give_up(sqlite3_errmsg(database_));
    }
    [[nodiscard]] sqlite3* handle() const { return database_; }

private:
    sqlite3* database_ = nullptr;
};

class Account {
public:
    Account(File& file, std::size_t sums)
        : file_(file),
          sums_(std::clamp<std::size_t>(sums, 1, steps.size())),
          add_meter_(file.handle(), "INSERT INTO meter (key, topic) VALUES (?1, ?2)"),
          set_meter_(file.handle(),
                     "UPDATE meter SET count = ?2, boot = ?3, seq = ?4, at_us = ?5 WHERE key = ?1"),
          add_entry_(file.handle(), "INSERT INTO entry VALUES (?1, ?2, ?3)"),
          put_row_(file.handle(),
                   "INSERT INTO usage_row VALUES (?1, ?2, ?3, ?4) ON CONFLICT DO UPDATE SET ticks = ?4"),
          set_booked_(file.handle(), "UPDATE booked SET messages = ?1") {}

    void begin() { file_.run("BEGIN IMMEDIATE"); }
    void commit() {
        for (Meter* meter : changed_) {
            set_meter_.run({meter->key, meter->count, meter->boot, meter->seq, meter->at_us});
            meter->is_changed = false;
        }
        // In the order of the table's key, so that neighbouring rows are written together.
        for (std::size_t step = 0; step < sums_; ++step) {
            for (const Meter* meter : changed_)
                write(*meter, step);
        }
        changed_.clear();
        set_booked_.run({booked_});
        file_.run("COMMIT");
    }

    void book(std::string_view topic, std::string_view payload, Instant at) {
        simdjson::dom::object fields;
        std::int64_t count = 0, boot = 0, seq = 0;
        if (parser_.parse(payload.data(), payload.size()).get(fields) != simdjson::SUCCESS ||
            fields["count"].get(count) != simdjson::SUCCESS ||
            fields["boot"].get(boot) != simdjson::SUCCESS || fields["seq"].get(seq) != simdjson::SUCCESS)
            give_up(payload);
        Meter& meter = meter_of(topic);
        const std::int64_t at_us = at.time_since_epoch().count();
        if (!meter.is_changed) changed_.push_back(&meter);
        const std::int64_t ticks = meter.at_us > 0 ? count - meter.count : 0;
        add_entry_.run({at_us, meter.key, ticks});
        for (std::size_t step = 0; step < sums_; ++step)
            add(meter, step, at_us, ticks);
        meter.count = count;
        meter.boot = boot;
        meter.seq = seq;
        meter.at_us = at_us;
        meter.is_changed = true;
        ++booked_;
    }

private:
    struct Sum {
        std::int64_t start_us = 0, ticks = 0;
    };
    struct Meter {
        std::int64_t key = 0;
        std::int64_t count = 0, boot = 0, seq = 0, at_us = 0;
        std::array<Sum, steps.size()> sums{};
        bool is_changed = false;
    };

    Meter& meter_of(std::string_view topic) {
        const auto [found, is_new] = meters_.try_emplace(std::string(topic));
        if (is_new) {
            found->second.key = static_cast<std::int64_t>(meters_.size());
            add_meter_.run(found->second.key, found->first);
        }
        return found->second;
    }
    void add(Meter& meter, std::size_t step, std::int64_t at_us, std::int64_t ticks) {
        const std::int64_t length_us = tickledger::Duration{steps[step]}.count();
        const std::int64_t start_us = at_us / length_us * length_us;
        Sum& sum = meter.sums[step];
        if (start_us != sum.start_us) {
            if (meter.is_changed) write(meter, step);
            sum = {start_us, 0};
        }
        sum.ticks += ticks;
    }
    void write(const Meter& meter, std::size_t step) {
        const Sum& sum = meter.sums[step];
        put_row_.run({static_cast<std::int64_t>(step), sum.start_us, meter.key, sum.ticks});
    }

    File& file_;
    const std::size_t sums_;
    Statement add_meter_, set_meter_, add_entry_, put_row_, set_booked_;
    simdjson::dom::parser parser_;
    std::unordered_map<std::string, Meter> meters_;
    std::vector<Meter*> changed_;
    std::int64_t booked_ = 0;
};

/// Receives messages on one thread and books them on another.
class Booking {
public:
    explicit Booking(Account& account) : account_(account), thread_([this] { work(); }) {}
    ~Booking() {
        {
            const std::lock_guard lock(mutex_);
            is_over_ = true;
        }
        changed_.notify_one();
        thread_.join();
    }
    Booking(const Booking&) = delete;
    Booking& operator=(const Booking&) = delete;

    void take(Heard&& heard) {
        std::size_t waiting = 0;
        {
            const std::lock_guard lock(mutex_);
            waiting_.push_back(std::move(heard));
            waiting = waiting_.size();
        }
        if (waiting == 1 || waiting == messages_a_commit) changed_.notify_one();
    }

private:
    void work() {
        std::vector<Heard> batch;
        std::unique_lock lock(mutex_);
        while (true) {
            changed_.wait(lock, [this] { return is_over_ || !waiting_.empty(); });
            changed_.wait_for(lock, commit_every,
                              [this] { return is_over_ || waiting_.size() >= messages_a_commit; });
            if (waiting_.empty()) return;
            batch.swap(waiting_);
            lock.unlock();
            account_.begin();
            for (const Heard& heard : batch)
                account_.book(heard.topic, heard.payload, heard.at);
            account_.commit();
            batch.clear();
            lock.lock();
        }
    }

    Account& account_;
    std::mutex mutex_;
    std::condition_variable changed_;
    std::vector<Heard> waiting_;
    bool is_over_ = false;
    std::thread thread_;
};

void append_escaped(std::string& line, std::string_view text) {
    for (const char c : text) {
        if (c == '"' || c == '\\') line += '\\';
        line += c;
    }
}

void append_to_log(int log, const Heard& heard, int qos) {
    std::string line = R"({"tst":")" + tickledger::format_utc(heard.at) + R"(","topic":")";
    append_escaped(line, heard.topic);
    line += R"(","qos":)";
    line += static_cast<char>('0' + qos);
    line += R"(,"retain":0,"payload":")";
    append_escaped(line, heard.payload);
    line += "\"}\n";
    if (::write(log, line.data(), line.size()) != static_cast<ssize_t>(line.size()))
        give_up("the log is stuck");
}

void listen(std::size_t sums, const char* url, int qos, const std::string& directory, bool index_in_memory) {
    // Only this thread receives SIGTERM.
    sigset_t end;
    sigemptyset(&end);
    sigaddset(&end, SIGTERM);
    pthread_sigmask(SIG_BLOCK, &end, nullptr);

    const int log =
        ::open((directory + "/log.jsonl").c_str(), O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0644);
    if (log < 0) give_up("no log can be made in " + directory);
    File file(directory + "/ledger.db", index_in_memory);
    Account account(file, sums);
    Booking booking(account);
    mqtt::async_client client(url, index_in_memory ? "least-memory" : "least",
                              static_cast<mqtt::iclient_persistence*>(nullptr));
    client.set_message_callback([&](const mqtt::const_message_ptr& message) {
        Heard heard{message->get_topic(), message->get_payload(),
                    std::chrono::floor<tickledger::Duration>(std::chrono::system_clock::now())};
        append_to_log(log, heard, message->get_qos());
        booking.take(std::move(heard));
    });
    mqtt::connect_options options;
    options.set_clean_session(false);
    client.connect(options)->wait();
    client.subscribe("nodes/+/water", qos)->wait();
    fmt::print("ready\n");
    std::fflush(stdout);
    int number = 0;
    sigwait(&end, &number);
    client.disconnect()->wait();
    ::close(log);
}

void replay(std::size_t sums, const char* recording, const char* ledger) {
    File file(ledger, false);
    Account account(file, sums);
    std::ifstream lines(recording);
    simdjson::dom::parser parser;
    std::string line;
    std::size_t waiting = 0;
    account.begin();
    while (std::getline(lines, line)) {
        simdjson::dom::object fields;
        std::string_view at, topic, payload;
        if (parser.parse(line).get(fields) != simdjson::SUCCESS ||
            fields["tst"].get(at) != simdjson::SUCCESS || fields["topic"].get(topic) != simdjson::SUCCESS ||
            fields["payload"].get(payload) != simdjson::SUCCESS)
            give_up(line);
        account.book(topic, payload, tickledger::parse_rfc3339(at).value());
        if (++waiting < messages_a_commit_of_replay) continue;
        account.commit();
        account.begin();
        waiting = 0;
    }
    account.commit();
}

}  // namespace

int main(int argc, char** argv) {
    const std::string_view what = argc > 1 ? argv[1] : "";
    const std::size_t sums = argc > 2 ? std::strtoul(argv[2], nullptr, 10) : 0;
    try {
        if (what == "listen" && argc >= 6) {
            listen(sums, argv[3], std::atoi(argv[4]), argv[5], argc > 6);
        } else if (what == "replay" && argc == 5) {
            replay(sums, argv[3], argv[4]);
        } else {
            std::fputs(
                "usage: bench_least listen SUMS URL QOS DIRECTORY [memory] | replay SUMS RECORDING LEDGER\n",
                stderr);
            return 64;
        }
    } catch (const mqtt::exception& error) {
        give_up(error.what());
    }
    return 0;
}
