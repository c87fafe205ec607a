// A line of the message log or of a recording: the fast parser and the general one agree, and an event that
// was read can be written and read back.
#include "fuzz/fuzz.hpp"
#include "store/line_scanner.hpp"
#include "store/recording.hpp"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    using namespace tickledger;
    using fuzz::must;
    const std::string line(fuzz::text_of(data, size));
    const auto event = parse_line(line);
    const auto generally = parse_general_line(line);
    if (scan_line(line)) must(event.has_value(), "a line that the fast parser reads is read");
    must(event.has_value() == generally.has_value(), "both parsers read the same lines");
    if (!event) {
        fuzz::must_be_a_sentence(event.error().text);
        return 0;
    }
    const std::string written = to_line(*event);
    must(written == to_line(*generally), "both parsers read the same event");
    must(is_utf8(written) && written.find('\n') == std::string::npos, "a written line is one line of UTF-8");
    const auto again = parse_line(written);
    must(again.has_value(), "a written line can be read");
    must(again->index() == event->index() && to_line(*again) == written, "it gives the same event");
    return 0;
}
