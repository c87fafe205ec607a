// The block of a packed day. A fuzzer cannot guess the checksum of compressed data, so its input is used
// twice: as it is, and as the text that is compressed here. A block that is read can be packed and read back.
#include <zlib.h>

#include "fuzz/fuzz.hpp"
#include "store/packed_block.hpp"

namespace {

constexpr std::int64_t day = 20'000;

void read(std::string_view bytes) {
    using namespace tickledger;
    const auto block = unpack(bytes, {day});
    if (!block) return fuzz::must_be_a_sentence(block.error().text);
    const auto again = unpack(pack(*block, {day}), {day});
    fuzz::must(again.has_value() && *again == *block, "a block is the same after packing and unpacking");
    for (const auto& [entry, n] : block->entries)
        fuzz::must(entry.span.length() >= tickledger::Duration{0}, "no span ends before it begins");
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    read(tickledger::fuzz::text_of(data, size));
    uLongf compressed_size = compressBound(size);
    std::string compressed(compressed_size, '\0');
    auto* const bytes = reinterpret_cast<Bytef*>(compressed.data());
    if (compress(bytes, &compressed_size, data, size) == Z_OK) read({compressed.data(), compressed_size});
    return 0;
}
