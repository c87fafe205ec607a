#include <cbor.h>

#include <array>
#include <cmath>
#include <limits>
#include <utility>

#include "core/json_text.hpp"
#include "core/senml_pack.hpp"

namespace tickledger {

namespace {

/// RFC 8428 table 4. The table is complete: other whole numbers are not labels.
[[nodiscard]] std::string_view label_of(std::int64_t number) {
    static constexpr std::array<std::string_view, 15> labels{"bs", "bv", "bu", "bt", "bn", "bver", "n", "u",
                                                             "v",  "vs", "vb", "s",  "t",  "ut",   "vd"};
    constexpr std::int64_t first = -6;
    if (number < first || number >= first + static_cast<std::int64_t>(labels.size())) return {};
    return labels[static_cast<std::size_t>(number - first)];
}

/// Passes what the CBOR decoder finds on to the collector. Keeps what CBOR leaves to its reader: how many
/// items an array or map still holds, and whether a map's next item is a label or a value.
class CborToSenml {
public:
    SenmlCollector collector;

    [[nodiscard]] bool failed() const { return failed_; }
    [[nodiscard]] bool complete() const { return begun_ && depth_ == 0; }
    [[nodiscard]] std::string error() const { return collector.error().empty() ? error_ : collector.error(); }

    void whole(std::uint64_t magnitude, bool negative) {
        if (is_label()) {
            constexpr std::uint64_t beyond_all_labels = 100;
            const auto number = static_cast<std::int64_t>(std::min(magnitude, beyond_all_labels));
            return give_label(label_of(negative ? -1 - number : number));
        }
        // A negative whole number n is written as -1 - n: RFC 8949 section 3.1.
        if (negative && magnitude == std::numeric_limits<std::uint64_t>::max())
            return refuse("a number is too large.");
        Decimal number = decimal_of(negative ? magnitude + 1 : magnitude);
        number.negative = negative;
        if (in_fraction()) return take_fraction_part(number);
        give(collector.number(number));
    }

    void real(double number) {
        if (!std::isfinite(number)) return refuse("a number in it is not finite.");
        if (is_label() || in_fraction()) return refuse("there is a number where none is allowed.");
        give(collector.number(decimal_of(number)));
    }

    void text(std::string_view text) {
        if (!is_utf8(text)) return refuse("a text in it is not UTF-8.");
        if (is_label()) return give_label(text);
        if (in_fraction()) return refuse("a decimal fraction holds a text.");
        give(collector.text(text));
    }

    void other_scalar() {
        if (is_label() || in_fraction()) return refuse("a label is neither a text nor a number.");
        give(collector.other_scalar());
    }

    void null() {
        if (is_label() || in_fraction()) return refuse("a label is neither a text nor a number.");
        give(collector.null());
    }

    void start(bool is_map, std::uint64_t items) {
        if (is_label() || in_fraction()) return refuse("a label is neither a text nor a number.");
        if (depth_ == levels_.size()) return refuse("its arrays and maps are nested too deeply.");
        if (fraction_tagged_) {
            fraction_tagged_ = false;
            if (is_map || items != 2) return refuse("a decimal fraction does not hold two numbers.");
            levels_[depth_++] = {Form::fraction, 2, false};
            return;
        }
        begun_ = true;
        if (!(is_map ? collector.start_record() : collector.start_array())) return fail_now();
        levels_[depth_++] = {is_map ? Form::map : Form::array, items, is_map};
        close_full_levels();
    }

    void end_open_level() {
        if (depth_ == 0 || level().left != unknown || (level().form == Form::map && !level().label_next)) {
            return refuse("it ends an array or map that is not open.");
        }
        level().left = 0;
        close_full_levels();
    }

    /// Tag 4 makes an array of exponent and mantissa a number: RFC 8949 section 3.4.4. Other tags add nothing
    /// here.
    void tag(std::uint64_t number) {
        constexpr std::uint64_t decimal_fraction = 4;
        fraction_tagged_ = number == decimal_fraction;
    }

    void refuse(const std::string& why) {
        if (error_.empty()) error_ = "The payload cannot be read as CBOR: " + why;
        fail_now();
    }

    static constexpr std::uint64_t unknown = std::numeric_limits<std::uint64_t>::max();

private:
    enum class Form : std::uint8_t { array, map, fraction };
    struct Level {
        Form form = Form::array;
        std::uint64_t left = 0;  ///< Items, or pairs of a map, to come; `unknown` until its end comes.
        bool label_next = false;
    };

    [[nodiscard]] Level& level() { return levels_[depth_ - 1]; }
    [[nodiscard]] bool is_label() { return depth_ > 0 && level().form == Form::map && level().label_next; }
    [[nodiscard]] bool in_fraction() { return depth_ > 0 && level().form == Form::fraction; }

    void fail_now() { failed_ = true; }

    void give_label(std::string_view label) {
        level().label_next = false;
        if (!collector.label(label)) fail_now();
    }

    /// Called after a value was passed on, which has filled its place.
    void give(bool accepted) {
        begun_ = true;
        if (fraction_tagged_) return refuse("a decimal fraction does not hold two numbers.");
        if (!accepted) return fail_now();
        fill_place();
        close_full_levels();
    }

    void fill_place() {
        if (depth_ == 0) return;
        if (level().left != unknown) --level().left;
        level().label_next = level().form == Form::map;
    }

    void close_full_levels() {
        while (depth_ > 0 && level().left == 0) {
            const bool was_fraction = level().form == Form::fraction;
            --depth_;
            if (!(was_fraction ? collector.number(fraction_) : collector.end())) return fail_now();
            fill_place();
        }
    }

    void take_fraction_part(const Decimal& part) {
        if (level().left == 2) {
            constexpr std::uint64_t exponent_max = 100'000;
            const int exponent = static_cast<int>(std::min(part.digits, exponent_max));
            fraction_exponent_ = part.negative ? -exponent : exponent;
        } else {
            fraction_ = part;
            fraction_.exponent = fraction_exponent_;
        }
        --level().left;
        close_full_levels();
    }

    std::array<Level, json_depth_max> levels_{};
    std::size_t depth_ = 0;
    bool begun_ = false;
    bool failed_ = false;
    bool fraction_tagged_ = false;
    int fraction_exponent_ = 0;
    Decimal fraction_;
    std::string error_;
};

[[nodiscard]] CborToSenml& reader(void* context) {
    return *static_cast<CborToSenml*>(context);
}

[[nodiscard]] std::string_view as_text(cbor_data data, std::size_t length) {
    return {reinterpret_cast<const char*>(data), length};
}

[[nodiscard]] cbor_callbacks callbacks() {
    cbor_callbacks to = cbor_empty_callbacks;
    to.uint8 = [](void* c, std::uint8_t n) { reader(c).whole(n, false); };
    to.uint16 = [](void* c, std::uint16_t n) { reader(c).whole(n, false); };
    to.uint32 = [](void* c, std::uint32_t n) { reader(c).whole(n, false); };
    to.uint64 = [](void* c, std::uint64_t n) { reader(c).whole(n, false); };
    to.negint8 = [](void* c, std::uint8_t n) { reader(c).whole(n, true); };
    to.negint16 = [](void* c, std::uint16_t n) { reader(c).whole(n, true); };
    to.negint32 = [](void* c, std::uint32_t n) { reader(c).whole(n, true); };
    to.negint64 = [](void* c, std::uint64_t n) { reader(c).whole(n, true); };
    to.float2 = [](void* c, float n) { reader(c).real(n); };
    to.float4 = [](void* c, float n) { reader(c).real(n); };
    to.float8 = [](void* c, double n) { reader(c).real(n); };
    to.string = [](void* c, cbor_data data, std::size_t length) { reader(c).text(as_text(data, length)); };
    to.byte_string = [](void* c, cbor_data /*data*/, std::size_t /*length*/) { reader(c).other_scalar(); };
    // RFC 8428 section 6 requires texts of definite length.
    to.string_start = [](void* c) { reader(c).refuse("a text in it has no definite length."); };
    to.byte_string_start = to.string_start;
    to.array_start = [](void* c, std::size_t items) { reader(c).start(false, items); };
    to.indef_array_start = [](void* c) { reader(c).start(false, CborToSenml::unknown); };
    to.map_start = [](void* c, std::size_t pairs) { reader(c).start(true, pairs); };
    to.indef_map_start = [](void* c) { reader(c).start(true, CborToSenml::unknown); };
    to.indef_break = [](void* c) { reader(c).end_open_level(); };
    to.tag = [](void* c, std::uint64_t number) { reader(c).tag(number); };
    to.boolean = [](void* c, bool /*truth*/) { reader(c).other_scalar(); };
    to.null = [](void* c) { reader(c).null(); };
    to.undefined = [](void* c) { reader(c).null(); };
    return to;
}

}  // namespace

Result<std::vector<SenmlRecord>> read_senml_cbor(std::string_view bytes) {
    static const cbor_callbacks to = callbacks();
    CborToSenml reader;
    const auto* data = reinterpret_cast<cbor_data>(bytes.data());
    std::size_t read = 0;
    while (!reader.failed() && !reader.complete()) {
        const auto step = cbor_stream_decode(data + read, bytes.size() - read, &to, &reader);
        if (step.status == CBOR_DECODER_NEDATA) {
            reader.refuse("it ends too early, after byte " + std::to_string(bytes.size()) + ".");
        } else if (step.status == CBOR_DECODER_ERROR) {
            reader.refuse("it goes wrong at byte " + std::to_string(read + 1) + ".");
        }
        read += step.read;
    }
    if (reader.failed()) return fail(reader.error());
    if (read != bytes.size()) return fail("The payload continues after the end of its SenML pack.");
    return std::move(reader.collector.records());
}

}  // namespace tickledger
