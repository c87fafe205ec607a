#include "configuration/secret.hpp"

#include <fmt/format.h>
#include <sys/stat.h>

#include <cerrno>
#include <fstream>
#include <system_error>

namespace tickledger {
namespace {

std::string reason_of(int error_number) {
    return std::generic_category().message(error_number);
}

}  // namespace

Result<std::string> read_secret(const std::string& file, std::string_view what, std::string_view option) {
    struct stat status {};
    if (::stat(file.c_str(), &status) != 0) {
        return fail(fmt::format("the {} file {} cannot be read ({}); check {}", what, file, reason_of(errno),
                                option));
    }
    if ((status.st_mode & 07U) != 0) {
        return fail(
            fmt::format("the {} file {} is open to every user of this machine (mode {:04o}); "
                        "run `chmod 0640 {}`",
                        what, file, status.st_mode & 07777U, file));
    }
    errno = 0;
    std::ifstream in(file);
    if (!in) {
        return fail(fmt::format("the {} file {} cannot be read ({}); let the daemon's user or group read it",
                                what, file, reason_of(errno)));
    }
    std::string secret;
    std::getline(in, secret);
    if (secret.ends_with('\r')) secret.pop_back();
    if (secret.empty()) {
        return fail(
            fmt::format("the {} file {} has an empty first line; write the {} there", what, file, what));
    }
    return secret;
}

}  // namespace tickledger
