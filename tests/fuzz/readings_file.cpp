// A CSV file of readings, as `tickledger import` reads it. The first line gives the options: delimiter,
// decimal sign, order of dates, "e" if times are ends. Options that are left out are guessed.
#include "client/import/readings_file.hpp"

#include "fuzz/fuzz.hpp"

using namespace tickledger;

namespace {

FileOrder order_in(std::string_view line) {
    FileOrder order;
    const auto at = [&](std::size_t place) { return place < line.size() ? line[place] : '-'; };
    if (at(0) != '-') order.delimiter = at(0);
    if (at(1) != '-') order.decimal = at(1);
    if (at(2) == 'd') order.dates = DateOrder::day_first;
    if (at(2) == 'm') order.dates = DateOrder::month_first;
    order.times_are_ends = at(3) == 'e';
    return order;
}

void must_be_readings(const FileContents& contents) {
    std::int64_t sum = 0;
    for (const auto& stretch : contents.stretches) {
        fuzz::must(stretch.size() >= 2, "a stretch has at least two readings");
        for (std::size_t i = 1; i < stretch.size(); ++i) {
            fuzz::must(stretch[i - 1].at < stretch[i].at, "readings are in order of time, each moment once");
            fuzz::must(stretch[i].at - stretch[i - 1].at <= reading_distance_max,
                       "readings of a stretch are close enough");
            fuzz::must(stretch[i - 1].volume <= stretch[i].volume, "no stretch runs back");
        }
        sum += stretch.back().volume - stretch.front().volume;
    }
    fuzz::must(contents.volume() == sum, "the volume is the sum of the stretches' advances");
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    static const CivilZone zone = *CivilZone::find("Europe/Lisbon");
    std::string_view text = fuzz::text_of(data, size);
    FileOrder order = order_in(fuzz::take_line(text));
    const auto contents = understand(text, order, zone);
    if (!contents) {
        fuzz::must_be_a_sentence(contents.error().text);
        return 0;
    }
    must_be_readings(*contents);
    for (const auto* notes :
         {&contents->unreadable, &contents->running_back, &contents->gaps, &contents->wall_clock}) {
        for (const FileNote& note : *notes)
            fuzz::must_be_a_sentence(note.text);
    }
    // If the guessed options are given explicitly, the readings are the same.
    order.delimiter = contents->delimiter;
    order.decimal = contents->decimal;
    order.unit = contents->unit;
    const auto again = understand(text, order, zone);
    fuzz::must(again && again->stretches == contents->stretches,
               "the guessed options, given explicitly, give the same readings");
    return 0;
}
