// A configuration: mistakes with their places, or settings that can be written down and read again.
#include <algorithm>

#include "configuration/configuration.hpp"
#include "fuzz/fuzz.hpp"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    using namespace tickledger;
    using fuzz::must;
    const std::string_view text = fuzz::text_of(data, size);
    const auto reading = read_configuration_text(text, "t.toml");
    const auto lines = static_cast<std::size_t>(std::ranges::count(text, '\n')) + 1;
    for (const Mistake& mistake : reading.mistakes) {
        must(!mistake.text.empty(), "a mistake says something");
        must(static_cast<std::size_t>(mistake.line) <= lines, "a mistake lies within the file");
    }
    if (!reading.mistakes.empty()) return 0;
    const std::string written = to_toml(reading.configuration);
    const auto again = read_configuration_text(written, "written.toml");
    for (const Mistake& mistake : again.mistakes)
        std::fprintf(stderr, "%s\n", mistake.sentence().c_str());
    must(again.mistakes.empty(), "what was written from settings is without mistakes");
    must(again.configuration == reading.configuration, "it says the same settings");
    return 0;
}
