// Writes the resolved configuration as TOML, as `--check-config` prints it.
#include <fmt/format.h>

#include <chrono>
#include <cmath>

#include "configuration/configuration.hpp"
#include "configuration/options.hpp"
#include "tickledger/stillness.hpp"

namespace tickledger {

namespace {

template <typename Settings>
void write_keys(std::string& out, const Options<Settings>& options, const Settings& settings) {
    for (const auto& option : options) {
        const std::string value = option.write(settings);
        if (!value.empty()) out += fmt::format("{} = {}\n", option.key, value);
    }
}

template <typename Settings>
void write_table(std::string& out, std::string_view title, const Options<Settings>& options,
                 const Settings& settings) {
    out += fmt::format("{}{}\n", out.empty() ? "" : "\n", title);
    write_keys(out, options, settings);
}

/// The smallest leak that night-flow can see with these settings, as a comment, because it is not an option.
std::string smallest_visible_leak_line(const MeterSettings& meter) {
    const auto leak_l_per_h = smallest_visible_leak_l_per_h(meter);
    if (!leak_l_per_h) {
        return "# smallest_visible_leak_l_per_h: none, because `cadence` is longer than `still_for`, so "
               "night-flow cannot find a leak.\n";
    }
    return fmt::format("# smallest_visible_leak_l_per_h: {:.3f} ({:.0f} L a day)\n", *leak_l_per_h,
                       *leak_l_per_h * 24);
}

/// How soon a short counter rolls over, as a comment, if that takes less than a day at q3.
std::string turn_line(const MeterSettings& meter) {
    const auto range = count_range(meter);
    if (!range || meter.message == MessageForm::pulses) return "";
    const double turn_l = static_cast<double>(*range) * meter.pulse_value_l.value();
    const double turn_h = turn_l / meter.q3_l_per_h.value();
    if (turn_h >= 24) return "";
    return fmt::format(
        "# the count starts again at 0 after {:.3f} m3, which takes {:.1f} h at q3. If more water runs while "
        "the node is silent, that volume, or a multiple of it, is missed.\n",
        turn_l / 1000, turn_h);
}

/// Comments on the kinds of alarm that are off by default, and why.
std::string off_by_default_lines(const MeterSettings& meter) {
    std::string lines;
    for (int number = 0; number < alarm_kind_count; ++number) {
        const auto kind = static_cast<AlarmKind>(number);
        const auto why = why_off(meter, kind);
        if (!why || meter.watches(kind) || !meter.alarms.is_on(kind)) continue;
        lines +=
            fmt::format("# {0} is off: {1}. on = [\"{0}\"] switches it on.\n", name_of(kind), words_of(*why));
    }
    if (meter.watches(AlarmKind::high_flow) && meter.cadence > meter.alarms.high_flow_for) {
        lines += fmt::format(
            "# high-flow sees the mean over {} between two messages: it misses a burst that is "
            "over sooner.\n",
            format_duration(meter.cadence));
    }
    return lines;
}

/// Comments on settings that are valid but hardly meant.
std::string doubtful_lines(const MeterSettings& meter) {
    std::string lines;
    // More flow is not believed, apart from two ticks in the span that is judged.
    const double q4_l_per_h = meter.q3_l_per_h.value() * 1.25;
    const double span_h = std::chrono::duration<double, std::ratio<3600>>(meter.alarms.high_flow_for).count();
    const double believed_l_per_h = 1.1 * q4_l_per_h + 2 * meter.pulse_value_l.value() / span_h;
    if (meter.watches(AlarmKind::high_flow) && meter.alarms.high_flow_l_per_h.value() > believed_l_per_h) {
        lines += fmt::format(
            "# high-flow can never be raised: more than 1.1 q4 ({:.0f} L/h) is not believed. Write a lower "
            "`high_flow`.\n",
            1.1 * q4_l_per_h);
    }
    const double range_l = meter.register_range_l.value();
    if (range_l > 0 && meter.register_start_l.value() >= range_l) {
        lines += fmt::format(
            "# `register_start` is not below `register_range`, so the register starts at {:g} L. Correct one of "
            "them.\n",
            std::fmod(meter.register_start_l.value(), range_l));
    }
    const bool has_wildcard = meter.topic.find_first_of("+#") != std::string::npos;
    if (has_wildcard && meter.id.find("{1}") == std::string::npos) {
        lines += fmt::format(
            "# every topic that matches \"{}\" is counted as the one meter \"{}\". If several boards send there, "
            "take {{1}} into `id`: it stands for the first +.\n",
            meter.topic, meter.id);
    }
    return lines;
}

}  // namespace

std::string to_toml(const Configuration& configuration) {
    std::string out;
    write_table(out, site_title, site_options(),
                SiteSettings{configuration.timezone, configuration.max_meters});
    write_table(out, broker_title, broker_options(), configuration.broker);
    write_table(out, store_title, store_options(), configuration.store);
    write_table(out, socket_title, socket_options(), configuration.socket);
    write_table(out, tariff_title, tariff_options(), configuration.tariff);
    for (std::size_t i = 0; i < configuration.meters.size(); ++i) {
        const MeterSettings& meter = configuration.meters[i];
        write_table(out, meter_title, meter_options(), meter);
        if (i < configuration.names.size()) write_keys(out, name_options(), configuration.names[i]);
        write_table(out, alarms_title, alarm_options(), meter.alarms);
        out += turn_line(meter);
        out += smallest_visible_leak_line(meter);
        out += off_by_default_lines(meter);
        out += doubtful_lines(meter);
    }
    for (const TenantSettings& tenant : configuration.tenants)
        write_table(out, tenant_title, tenant_options(), tenant);
    return out;
}

}  // namespace tickledger
