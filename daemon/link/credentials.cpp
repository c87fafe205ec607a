#include "link/credentials.hpp"

#include <fmt/format.h>

#include <cerrno>
#include <fstream>
#include <system_error>

#include "configuration/secret.hpp"

namespace tickledger {
namespace {

std::string reason_of(int error_number) {
    return std::generic_category().message(error_number);
}

Result<void> check_readable(const char* option, const std::string& file) {
    if (file.empty()) return {};
    errno = 0;
    std::ifstream in(file, std::ios::binary);
    if (!in || in.peek() == std::ifstream::traits_type::eof()) {
        return fail(fmt::format("{} = \"{}\" cannot be read ({}); check the path and its permissions", option,
                                file, errno != 0 ? reason_of(errno) : "the file is empty"));
    }
    return {};
}

}  // namespace

Result<std::string> read_password(const BrokerSettings& settings) {
    const std::string& file = settings.password_file;
    if (file.empty()) return std::string{};
    if (settings.username.empty()) {
        return fail("broker.password_file is set but broker.username is not; a password needs a username");
    }
    return read_secret(file, "password", "broker.password_file");
}

Result<void> check_tls_files(const BrokerSettings& settings) {
    if (auto ca = check_readable("broker.ca_file", settings.ca_file); !ca) return ca;
    if (auto certificate = check_readable("broker.cert_file", settings.cert_file); !certificate)
        return certificate;
    if (!settings.key_file.empty() && settings.cert_file.empty()) {
        return fail("broker.key_file is set but broker.cert_file is not; a key needs its certificate");
    }
    return check_readable("broker.key_file", settings.key_file);
}

}  // namespace tickledger
