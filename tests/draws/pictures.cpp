#include "draws/pictures.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <chrono>

namespace tickledger::draws {

namespace {

// Colours that colour-blind people can distinguish too (M. Okabe and K. Ito, "Color Universal Design", 2008;
// from memory).
constexpr std::array<const char*, 8> colours = {"#0072b2", "#d55e00", "#009e73", "#cc79a7",
                                                "#e69f00", "#56b4e9", "#000000", "#999999"};

std::string begin_of(int width, int height, const char* title) {
    return fmt::format(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{0}\" height=\"{1}\" viewBox=\"0 0 {0} {1}\" "
        "font-family=\"sans-serif\" font-size=\"12\">\n<title>{2}</title>\n"
        "<rect width=\"{0}\" height=\"{1}\" fill=\"#ffffff\"/>\n",
        width, height, title);
}

std::string words(double x, double y, const std::string& text, const char* anchor = "start") {
    return fmt::format("<text x=\"{:.1f}\" y=\"{:.1f}\" text-anchor=\"{}\">{}</text>\n", x, y, anchor, text);
}

std::string stroke(double x1, double y1, double x2, double y2, const char* colour) {
    return fmt::format("<line x1=\"{:.1f}\" y1=\"{:.1f}\" x2=\"{:.1f}\" y2=\"{:.1f}\" stroke=\"{}\"/>\n", x1,
                       y1, x2, y2, colour);
}

constexpr double left = 70;
constexpr double day_width = 780;
constexpr double lane = 44;

/// Water that runs at a flow during a span. 20 L/min fill the height of the lane.
std::string bar(Instant midnight, Span span, double l_per_min, std::size_t label, double foot) {
    const auto x = [&](Instant at) {
        return left + day_width * std::chrono::duration<double>(at - midnight).count() / 86400;
    };
    const double height = std::clamp(l_per_min / 20, 0.06, 1.0) * (lane - 6);
    return fmt::format("<rect x=\"{:.2f}\" y=\"{:.1f}\" width=\"{:.2f}\" height=\"{:.1f}\" fill=\"{}\"/>\n",
                       x(span.from), foot - height, std::max(0.6, x(span.to) - x(span.from)), height,
                       colours.at(label));
}

std::string date_of(Instant midnight) {
    const std::chrono::year_month_day date{std::chrono::floor<std::chrono::days>(midnight)};
    return fmt::format("{}-{:02}-{:02}", static_cast<int>(date.year()), static_cast<unsigned>(date.month()),
                       static_cast<unsigned>(date.day()));
}

}  // namespace

std::string reliability_picture(const std::vector<Curve>& curves) {
    constexpr double side = 360, top = 20;
    const auto x = [](double share) { return left + side * share; };
    const auto y = [](double share) { return top + side * (1 - share); };
    std::string svg = begin_of(780, 440, "How often it was right, against how sure it was told");
    for (int fifth = 0; fifth <= 5; ++fifth) {
        const double share = fifth / 5.0;
        svg += stroke(x(share), y(0), x(share), y(1), "#dddddd") +
               stroke(x(0), y(share), x(1), y(share), "#dddddd");
        svg += words(x(share), y(0) + 18, fmt::format("{:.1f}", share), "middle");
        svg += words(x(0) - 8, y(share) + 4, fmt::format("{:.1f}", share), "end");
    }
    svg += stroke(x(0), y(0), x(1), y(1), "#666666");
    svg += words(x(0.5), y(0) + 40, "told confidence", "middle");
    svg += fmt::format(
        "<text transform=\"translate(22 {:.0f}) rotate(-90)\" text-anchor=\"middle\">share that "
        "was right</text>\n",
        y(0.5));
    for (std::size_t i = 0; i < curves.size(); ++i) {
        const Score& score = curves[i].score;
        std::string points;
        for (std::size_t tenth = 0; tenth < score.told_l.size(); ++tenth) {
            // A share of few litres has little meaning.
            if (score.told_l.at(tenth) < 0.01 * score.volume_l) continue;
            const double told = score.told_confidence_l.at(tenth) / score.told_l.at(tenth);
            const double right = score.told_right_l.at(tenth) / score.told_l.at(tenth);
            points += fmt::format("{:.1f},{:.1f} ", x(told), y(right));
        }
        const bool is_real = curves[i].name.find("real") != std::string::npos;
        const char* colour = colours.at((is_real ? i - 1 : i) / 2 % 4);
        svg += fmt::format("<polyline points=\"{}\" fill=\"none\" stroke=\"{}\" stroke-width=\"2\"{}/>\n",
                           points, colour, is_real ? "" : " stroke-dasharray=\"4 3\"");
        const double line = top + 20 + 20 * static_cast<double>(i);
        svg += fmt::format(
            "<line x1=\"450\" y1=\"{0:.0f}\" x2=\"480\" y2=\"{0:.0f}\" stroke=\"{1}\" "
            "stroke-width=\"2\"{2}/>\n",
            line - 4, colour, is_real ? "" : " stroke-dasharray=\"4 3\"");
        svg += words(488, line, fmt::format("{}: error {:.3f}", curves[i].name, score.calibration_error()));
    }
    return svg + "</svg>\n";
}

std::string days_picture(const std::vector<NamedDay>& days) {
    constexpr double day_height = 2 * lane + 34;
    std::string svg = begin_of(870, 40 + static_cast<int>(day_height * static_cast<double>(days.size())),
                               "The days of which most was named wrong: what ran, and what was told");
    for (std::size_t label = 0; label < 8; ++label) {
        const double at = left + 95 * static_cast<double>(label);
        svg += fmt::format("<rect x=\"{:.0f}\" y=\"8\" width=\"10\" height=\"10\" fill=\"{}\"/>\n", at,
                           colours.at(label));
        svg += words(at + 14, 18, std::string(name_of(static_cast<DrawLabel>(label))));
    }
    for (std::size_t i = 0; i < days.size(); ++i) {
        const ToldDay& day = days[i].day;
        const double top = 36 + day_height * static_cast<double>(i);
        svg += words(left, top + 10,
                     fmt::format("{}, {}: {:.0f} of {:.0f} L named wrong", days[i].home,
                                 date_of(day.midnight), day.wrong_l, day.volume_l));
        const double ran = top + 14 + lane, told = ran + lane;
        svg += words(left - 8, ran - 4, "ran", "end") + words(left - 8, told - 4, "told", "end");
        svg += stroke(left, ran, left + day_width, ran, "#bbbbbb") +
               stroke(left, told, left + day_width, told, "#bbbbbb");
        for (const auto& event : day.ran) {
            for (const auto& part : event.parts)
                svg += bar(day.midnight, part.span, static_cast<double>(part.flow_ul_per_s) * 60 / 1e6,
                           static_cast<std::size_t>(label_of(event.use)), ran);
        }
        for (const Draw& draw : day.told)
            svg += bar(day.midnight, draw.span, draw.mean_flow_l_per_h / 60,
                       static_cast<std::size_t>(draw.label), told);
        for (int hour = 0; hour <= 24; hour += 6)
            svg += words(left + day_width * hour / 24, told + 12, fmt::format("{}:00", hour), "middle");
    }
    return svg + "</svg>\n";
}

}  // namespace tickledger::draws
