// A configuration gives mistakes with their lines, or settings that can be written and read back.
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
        must(!mistake.text.empty(), "a mistake has a text");
        must(static_cast<std::size_t>(mistake.line) <= lines, "a mistake's line is within the file");
    }
    if (!reading.mistakes.empty()) return 0;
    const std::string written = to_toml(reading.configuration);
    const auto again = read_configuration_text(written, "written.toml");
    for (const Mistake& mistake : again.mistakes)
        std::fprintf(stderr, "%s\n", mistake.sentence().c_str());
    must(again.mistakes.empty(), "a written configuration has no mistakes");
    must(again.configuration == reading.configuration, "a written configuration gives the same settings");
    return 0;
}
