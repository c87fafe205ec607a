// The memory of a meter as a record of some hundred bytes. docs/ledger-format.md describes the format.
//
// Each commit writes the memory of every meter that was heard in it, so the size of the record decides what
// many meters cost.
#include <array>
#include <bit>
#include <cmath>
#include <limits>
#include <type_traits>
#include <utility>

#include "book/account.hpp"
#include "book/field_names.hpp"
#include "book/memory_fields.hpp"
#include "book/memory_json.hpp"
#include "core/varint.hpp"

namespace tickledger {

namespace {

constexpr char record_version = 1;
constexpr std::int64_t second_us = 1'000'000;
constexpr double parts_of_one = 1e6;

// Moments may be anywhere, so their differences wrap.
constexpr std::int64_t minus(std::int64_t a, std::int64_t b) {
    return static_cast<std::int64_t>(static_cast<std::uint64_t>(a) - static_cast<std::uint64_t>(b));
}
constexpr std::int64_t plus(std::int64_t a, std::int64_t b) {
    return static_cast<std::int64_t>(static_cast<std::uint64_t>(a) + static_cast<std::uint64_t>(b));
}
constexpr std::int64_t seconds_in_us(std::int64_t seconds) {
    return static_cast<std::int64_t>(static_cast<std::uint64_t>(seconds) *
                                     static_cast<std::uint64_t>(second_us));
}
constexpr std::int64_t whole_second(std::int64_t us) {
    return us - us % second_us;
}

/// Numbers show where they end. Anything else is a block: its length, then its content.
template <typename T>
inline constexpr bool is_number =
    std::is_arithmetic_v<T> || std::is_same_v<T, Instant> || std::is_same_v<T, Duration>;
template <typename T>
inline constexpr bool is_number<std::optional<T>> = is_number<T>;

/// Marks a moment that is too far from the base. Its full value follows.
constexpr std::uint64_t far_away = std::numeric_limits<std::uint64_t>::max() >> 1;

class Writer {
public:
    /// `base_us`: the moment from which the others are measured.
    Writer(std::string& record, std::int64_t base_us) : record_(record), base_us_(base_us) {}

    template <typename T>
    void operator()(FieldName name, const T& value) {
        if (is_absent(value)) return;
        number(name.number);
        if constexpr (is_number<T>) {
            put(value);
        } else {
            block([&] { put(value); });
        }
    }

    void number(std::uint64_t value) { append_varint(record_, value); }

private:
    template <typename T>
    static bool is_absent(const std::optional<T>& value) {
        return !value;
    }
    template <typename T>
    static bool is_absent(const Seldom<T>& value) {
        return !value;
    }
    template <typename T>
    static bool is_absent(const std::vector<T>& values) {
        return values.empty();
    }
    // A value that a reader assumes anyway is left out. Every field starts as zero, except a pulse value's
    // numbers, which are never zero.
    template <typename T>
    static bool is_absent(const T& value) {
        if constexpr (is_number<T>) return value == T{};
        return false;
    }

    /// Writes a length, and then what `write` writes.
    template <typename Write>
    void block(Write&& write) {
        const std::size_t begin = record_.size();
        record_ += '\0';
        write();
        const std::size_t length = record_.size() - begin - 1;
        if (length < 0x80) {
            record_[begin] = static_cast<char>(length);
            return;
        }
        const std::string content = record_.substr(begin + 1);
        record_.resize(begin);
        number(length);
        record_ += content;
    }

    void put(bool value) { record_ += static_cast<char>(value ? 1 : 0); }
    void put(std::uint64_t value) { number(value); }
    void put(std::int64_t value) { number(zigzag(value)); }
    /// Whole seconds are short, and most lengths of time are whole seconds.
    void put(Duration value) {
        const std::int64_t us = value.count();
        if (us % second_us == 0) {
            number(zigzag(us / second_us) << 1);
        } else {
            number(1), number(zigzag(us));
        }
    }
    /// A whole second is written in seconds from the base's second, any other moment in microseconds from the
    /// base.
    void put(Instant value) {
        const std::int64_t us = microseconds_of(value);
        const std::int64_t from_base_us = minus(us, base_us_);
        const std::int64_t from_second_us = minus(us, whole_second(base_us_));
        if (from_base_us != 0 && from_second_us % second_us == 0) {
            number(zigzag(from_second_us / second_us) << 1 | 1);
        } else if (const std::uint64_t turned = zigzag(from_base_us); turned < far_away) {
            number(turned << 1);
        } else {
            number(far_away << 1), number(static_cast<std::uint64_t>(us));
        }
    }
    /// Evidence is rounded to six decimals. Such a number is written as a short whole number.
    void put(double value) {
        const double parts = value * parts_of_one;
        const std::int64_t whole = std::abs(parts) < 1e15 ? std::llround(parts) : 0;
        if (static_cast<double>(whole) / parts_of_one == value) {
            number(zigzag(whole) << 1);
        } else {
            number(1), number(std::bit_cast<std::uint64_t>(value));
        }
    }
    void put(const std::string& value) { record_ += value; }
    void put(const Span& value) { put(value.from), put(value.to); }
    template <typename T>
    void put(const std::optional<T>& value) {
        put(*value);
    }
    template <typename T>
    void put(const Seldom<T>& value) {
        put(*value);
    }
    void put(const SlowLeak::Rung& rung) {
        put(rung.sum), put(rung.phase_known), put(rung.since), put(rung.lone_ticks);
    }
    /// In most meters most elements are alike. 0 stands for an element that repeats the one before it.
    template <typename T, std::size_t size>
    void put(const std::array<T, size>& values) {
        for (std::size_t i = 0; i < size; ++i) {
            const bool repeats = i > 0 && values.at(i) == values.at(i - 1);
            put(!repeats);
            if (!repeats) put(values.at(i));
        }
    }
    template <typename T>
    void put(const std::vector<T>& values) {
        for (const T& value : values)
            block([&] { put(value); });
    }
    template <typename T>
    requires std::is_class_v<T>
    void put(const T& value) {
        // fields() takes a reference that may be changed, for the reader. A writer changes nothing.
        fields(*this, const_cast<T&>(value));
    }

    std::string& record_;
    std::int64_t base_us_;
};

struct Damaged {};

/// Reads the fields of one structure.
class Reader {
public:
    explicit Reader(std::string_view record, std::int64_t base_us = 0) : left_(record), base_us_(base_us) {}

    void begin() { base_us_ = signed_number(); }

    /// Fields come in the order in which they are asked for. Those that hold nothing are left out.
    template <typename T>
    void operator()(FieldName name, T& value) {
        if (left_.empty()) return;
        const std::string_view before = left_;
        if (number() != name.number) {
            left_ = before;
        } else if constexpr (is_number<T>) {
            take(value);
        } else {
            Reader inner(block(), base_us_);
            inner.take(value);
            if (!inner.is_at_end()) throw Damaged{};
        }
    }
    [[nodiscard]] bool is_at_end() const { return left_.empty(); }

private:
    std::uint64_t number() {
        const auto value = take_varint(left_);
        if (!value) throw Damaged{};
        return *value;
    }
    std::int64_t signed_number() { return unzigzag(number()); }
    char next() {
        if (left_.empty()) throw Damaged{};
        const char byte = left_.front();
        left_.remove_prefix(1);
        return byte;
    }
    std::string_view block() {
        const std::uint64_t length = number();
        if (length > left_.size()) throw Damaged{};
        const std::string_view content = left_.substr(0, length);
        left_.remove_prefix(length);
        return content;
    }

    void take(bool& value) { value = next() != 0; }
    void take(std::uint64_t& value) { value = number(); }
    void take(std::int64_t& value) { value = signed_number(); }
    void take(Duration& value) {
        const std::uint64_t head = number();
        value = Duration{(head & 1) == 0 ? seconds_in_us(unzigzag(head >> 1)) : signed_number()};
    }
    void take(Instant& value) {
        const std::uint64_t head = number();
        if ((head & 1) != 0) {
            value = instant_of(plus(whole_second(base_us_), seconds_in_us(unzigzag(head >> 1))));
        } else if (head >> 1 == far_away) {
            value = instant_of(static_cast<std::int64_t>(number()));
        } else {
            value = instant_of(plus(base_us_, unzigzag(head >> 1)));
        }
    }
    void take(double& value) {
        const std::uint64_t head = number();
        value = (head & 1) == 0 ? static_cast<double>(unzigzag(head >> 1)) / parts_of_one
                                : std::bit_cast<double>(number());
    }
    void take(std::string& value) { value = std::exchange(left_, {}); }
    void take(Span& value) { take(value.from), take(value.to); }
    template <typename T>
    void take(std::optional<T>& value) {
        take(value.emplace());
    }
    template <typename T>
    void take(Seldom<T>& value) {
        take(value.emplace());
    }
    void take(SlowLeak::Rung& rung) {
        take(rung.sum), take(rung.phase_known), take(rung.since), take(rung.lone_ticks);
    }
    template <typename T, std::size_t size>
    void take(std::array<T, size>& values) {
        for (std::size_t i = 0; i < size; ++i) {
            bool is_new = true;
            take(is_new);
            if (is_new) {
                take(values.at(i));
            } else if (i > 0) {
                values.at(i) = values.at(i - 1);
            } else {
                throw Damaged{};
            }
        }
    }
    template <typename T>
    void take(std::vector<T>& values) {
        while (!left_.empty()) {
            Reader inner(block(), base_us_);
            inner.take(values.emplace_back());
        }
    }
    template <typename T>
    requires std::is_class_v<T>
    void take(T& value) { fields(*this, value); }

    std::string_view left_;
    std::int64_t base_us_;
};

std::int64_t base_of(const AccountMemory& memory) {
    if (memory.counter.last) return microseconds_of(memory.counter.last->at);
    return memory.heard_at ? microseconds_of(*memory.heard_at) : 0;
}

}  // namespace

std::string to_record(const AccountMemory& memory) {
    std::string record;
    record.reserve(256);
    record += record_version;
    const std::int64_t base_us = base_of(memory);
    Writer writer(record, base_us);
    writer.number(zigzag(base_us));
    fields(writer, const_cast<AccountMemory&>(memory));
    return record;
}

Result<AccountMemory> memory_from_record(std::string_view record) {
    if (record.starts_with('{')) return memory_from_json(std::string(record));
    try {
        if (!record.starts_with(record_version)) throw Damaged{};
        Reader reader(record.substr(1));
        reader.begin();
        AccountMemory memory;
        fields(reader, memory);
        if (!reader.is_at_end()) throw Damaged{};
        return memory;
    } catch (const Damaged&) {
        return fail("the ledger's memory of a meter is damaged: it is not a record that this program wrote");
    }
}

}  // namespace tickledger
