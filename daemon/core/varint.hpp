// Whole numbers in as few bytes as they need: seven bits a byte, the lowest first. The eighth bit says that
// more bytes follow (LEB128, as in DWARF and WebAssembly).
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

namespace tickledger {

/// Maps numbers near zero on either side to small numbers. Takes any number, wrapped differences too.
constexpr std::uint64_t zigzag(std::int64_t value) {
    return (static_cast<std::uint64_t>(value) << 1) ^ static_cast<std::uint64_t>(value >> 63);
}
constexpr std::int64_t unzigzag(std::uint64_t value) {
    return static_cast<std::int64_t>((value >> 1) ^ (~(value & 1) + 1));
}

inline void append_varint(std::string& bytes, std::uint64_t value) {
    for (; value >= 0x80; value >>= 7)
        bytes += static_cast<char>(value | 0x80);
    bytes += static_cast<char>(value);
}

/// Takes a number from the beginning of the bytes. Nothing if they end within it, or it is longer than 64
/// bits.
[[nodiscard]] inline std::optional<std::uint64_t> take_varint(std::string_view& bytes) {
    std::uint64_t value = 0;
    for (unsigned shift = 0; shift < 64 && !bytes.empty(); shift += 7) {
        const auto byte = static_cast<unsigned char>(bytes.front());
        bytes.remove_prefix(1);
        value |= static_cast<std::uint64_t>(byte & 0x7F) << shift;
        if (byte < 0x80) return value;
    }
    return std::nullopt;
}

}  // namespace tickledger
