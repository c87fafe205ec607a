// Measures how long questions take, one after the other.
//
//   bench_ask socket PATH TARGET TIMES          GET over the daemon's socket, including the connect
//   bench_ask sqlite FILE SQL TIMES [VALUES]    the bare query, once for each value of ?1 (VALUES: a file of
//                                               numbers)
//
// Prints the number of rows or bytes of the last answer, then one line for each time: its microseconds.
#include <fmt/format.h>
#include <sqlite3.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <array>
#include <chrono>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <fstream>
#include <functional>
#include <string>
#include <string_view>
#include <vector>

namespace {

[[noreturn]] void give_up(const std::string& why) {
    fmt::print(stderr, "bench_ask: {}\n", why);
    std::exit(1);
}

long ask_socket(const std::string& path, const std::string& target) {
    sockaddr_un address{};
    address.sun_family = AF_UNIX;
    std::strncpy(address.sun_path, path.c_str(), sizeof address.sun_path - 1);
    const int connection = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (::connect(connection, reinterpret_cast<const sockaddr*>(&address), sizeof address) != 0)
        give_up("nobody answers at " + path);
    const std::string request = "GET " + target + " HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n";
    if (::write(connection, request.data(), request.size()) != static_cast<ssize_t>(request.size()))
        give_up("the daemon hung up");
    static std::array<char, 65'536> part;
    long bytes = 0;
    bool ok = false;
    for (ssize_t got = 0; (got = ::read(connection, part.data(), part.size())) > 0; bytes += got) {
        if (bytes == 0)
            ok = std::string_view(part.data(), static_cast<std::size_t>(got)).starts_with("HTTP/1.1 200");
    }
    ::close(connection);
    if (!ok) give_up("the answer to " + target + " is no 200");
    return bytes;
}

class Query {
public:
    Query(const char* file, const char* sql) {
        if (sqlite3_open_v2(file, &database_, SQLITE_OPEN_READONLY, nullptr) != SQLITE_OK ||
            sqlite3_prepare_v2(database_, sql, -1, &statement_, nullptr) != SQLITE_OK) {
            give_up(sqlite3_errmsg(database_));
        }
    }
    ~Query() {
        sqlite3_finalize(statement_);
        sqlite3_close(database_);
    }
    Query(const Query&) = delete;
    Query& operator=(const Query&) = delete;

    long run(const std::vector<std::int64_t>& values) {
        long rows = 0;
        for (const std::int64_t value : values) {
            sqlite3_reset(statement_);
            sqlite3_bind_int64(statement_, 1, value);
            while (sqlite3_step(statement_) == SQLITE_ROW) {
                for (int column = 0; column < sqlite3_column_count(statement_); ++column)
                    sum_ += sqlite3_column_int64(statement_, column);
                ++rows;
            }
        }
        sqlite3_reset(statement_);
        return rows;
    }

private:
    sqlite3* database_ = nullptr;
    sqlite3_stmt* statement_ = nullptr;
    std::int64_t sum_ = 0;
};

void measure(int times, const std::function<long()>& ask) {
    using std::chrono::steady_clock;
    std::vector<double> taken_us;
    long answered = ask();  // The first question fills the caches and is not measured.
    for (int i = 0; i < times; ++i) {
        const auto began = steady_clock::now();
        answered = ask();
        taken_us.push_back(std::chrono::duration<double, std::micro>(steady_clock::now() - began).count());
    }
    fmt::print("{}\n", answered);
    for (const double us : taken_us)
        fmt::print("{:.1f}\n", us);
}

}  // namespace

int main(int argc, char** argv) {
    const std::string_view what = argc > 1 ? argv[1] : "";
    if (argc < 5 || (what != "socket" && what != "sqlite")) {
        std::fputs("usage: bench_ask socket PATH TARGET TIMES | sqlite FILE SQL TIMES [VALUES]\n", stderr);
        return 64;
    }
    const int times = std::atoi(argv[4]);
    if (what == "socket") {
        measure(times, [&] { return ask_socket(argv[2], argv[3]); });
        return 0;
    }
    std::vector<std::int64_t> values;
    if (argc > 5) {
        std::ifstream file(argv[5]);
        for (std::int64_t value = 0; file >> value;)
            values.push_back(value);
    } else {
        values.push_back(0);
    }
    Query query(argv[2], argv[3]);
    measure(times, [&] { return query.run(values); });
    return 0;
}
